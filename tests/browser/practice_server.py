"""The page over the practice laser of one seed, in a process of its own.

Its background and its tape are made once, before the fork: they take half of a picture's time, and no test
here looks at them.
"""

from __future__ import annotations

from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from firmware.profile import RigProfile
from server.pages import Config, create_app, stream
from server.pages.serve import make_server
from server.practice import PracticeCamera, PracticeMachine, camera, scene
from server.practice.surface import Surface, card_surface
from server.rig.threads import SessionThreads
from server.session import held_screw as turning
from server.sources.practice_source import PracticeSource
from vision import STATIONS

SEED = 1  # of the machine that most tests use
_tapes: dict[str, Surface] = {}
_places: dict[int, scene.Scene] = {}


def serve_practice(folder: Path, port: int, seed: int, code: str, sender: Connection) -> None:
    """Serve until killed; sends the port first.

    Memory may grow: to give it back, as ``serve`` does, doubles a picture's time.
    """
    _make_once()
    stream.BEAT_S = 0.25  # notice sooner that a page has gone
    turning.WHOLE_WAY_S, turning.SLOWEST, turning.FASTEST = 2.0, 1 / 32, 1 / 2
    source = lambda: PracticeSource(PracticeMachine(seed))  # noqa: E731
    app = create_app(Config(data=folder, source=source, code=code or None))
    server = make_server(app, port=port)
    desk = app.extensions["spotwright"]
    SessionThreads(desk.sessions["bench"], profile=RigProfile(), data=folder, watched=desk.watched).start()
    sender.send(server.effective_port)
    server.run()


def warm() -> None:
    """Render each station once, so that forked processes need not."""
    cv2.setNumThreads(1)  # a thread would not survive the fork
    _make_once()
    machine = PracticeMachine(SEED)
    looking = PracticeCamera(machine)
    looking.start()
    for station in STATIONS:
        machine.hang(station)
        looking.newest()


def _make_once() -> None:
    for module, name, made in ((scene, "card_surface", _tape), (camera, "Scene", _place)):
        setattr(module, name, made)


def _tape(station: str, rng: np.random.Generator) -> Surface:
    if station not in _tapes:
        _tapes[station] = card_surface(station, rng)
    return _tapes[station]


def _place(station: str, pose: Any, *, place_seed: int, card_seed: int) -> scene.Scene:
    if place_seed not in _places:
        _places[place_seed] = scene.Scene(station, pose, place_seed=place_seed, card_seed=card_seed)
    _places[place_seed].hang(card_seed)
    return _places[place_seed]
