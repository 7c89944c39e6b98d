"""A bench without optics: pictures are blank, readings and steps come from a script."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import uuid4

import numpy as np
from flask.testing import FlaskClient

from firmware import Frame
from server.log import Log
from server.practice import default_profile
from server.session.services import Services
from server.session.snapshot import expect_of
from server.solver import Step, parse_alignment, profile_as_json
from server.solver.steps import Parts, Verdict
from server.sources.base import NoPicture, Pixels, Place, Shot
from vision import CardView, Mark, NoReading, PictureRefused, Reading

Json = dict[str, Any]
BACK_LEFT = [0.0, 1000.0]
FRONT_LEFT = [0.0, 0.0]
VIEW = CardView(
    markers_seen=4, rms_px=0.2, px_per_mm=9.0, tilt_deg=20.0, homography=np.diag([9.0, -9.0, 1.0]) + 0.0
)
MACHINE: Json = profile_as_json(default_profile())
EXPECT = {"station": "mirror-2", "head_mm": FRONT_LEFT, "offset_mm": [0.4, 0.1], "sigma_mm": 0.3}
VERDICT: Json = {
    "aligned": True,
    "overlap_mm": {"mirror-2": 0.4, "mirror-3": 0.6},
    "centre_mm": {"mirror-1": 0.3, "mirror-2": 0.9, "mirror-3": 0.2},
    "lens_mm": 0.5,
    "nozzle_mm": 0.1,
    "worst_power": 0.98,
    "worst_at_head_mm": [1600.0, 0.0],
    "reasons": [],
}
STEPS: list[Json] = [
    {"do": "mark", "station": "mirror-1", "head_mm": BACK_LEFT, "say": "Mark mirror 1: one short pulse."},
    {"do": "mark", "station": "mirror-2", "head_mm": FRONT_LEFT, "say": "Mark mirror 2: one short pulse."},
    {
        "do": "turn",
        "mount": 1,
        "screw": "top",
        "turns": -0.1875,
        "say": "Turn the top screw; the mark should land at the aim.",
        "expect": EXPECT,
    },
    {"do": "shift", "part": "tube", "move_mm": [0, -0.8, 1.2], "say": "Move the tube.", "expect": EXPECT},
    {"do": "inspect", "cause": "gantry-racking", "say": "Look whether the gantry stands square."},
    {"do": "done", "say": "Good enough to cut."},
]


class FakeHeartbeat:
    """Stands in for the heartbeat to systemd; ``asked`` holds the names of the threads that it would ask."""

    asked: frozenset[str] = frozenset()

    def __init__(self, parts: Json) -> None:
        type(self).asked = frozenset(parts)

    def start(self) -> None: ...

    def stop(self) -> None: ...


@lru_cache
def _empty_log() -> TemporaryDirectory[str]:
    made: TemporaryDirectory[str] = TemporaryDirectory()
    Log(Path(made.name)).close()
    return made


def new_log(folder: Path) -> Log:
    """Return an empty log in that folder: a copy, for making one waits for the disk."""
    if not any(folder.glob("*.db")):
        shutil.copytree(_empty_log().name, folder, dirs_exist_ok=True)
    return Log(folder)


def names(client: FlaskClient, of: str = "bench") -> Json:
    """Return what a page adds to a press: the step that is due, and a new key."""
    return {"step": client.get(f"/api/state?of={of}").get_json()["step"], "key": uuid4().hex}


def step_of(data: Json) -> Step:
    """Return the step that those JSON values describe; ``say`` becomes its order."""
    tuples: Json = {key: tuple(data[key]) for key in ("head_mm", "move_mm") if key in data}
    plain: Json = {
        key: data[key]
        for key in ("station", "hang", "mount", "screw", "turns", "part", "cause")
        if key in data
    }
    verdict = data.get("verdict")
    return Step(
        data["do"],
        **plain,
        **tuples,
        expect=expect_of(data.get("expect")),
        parts=Parts(data["say"].rstrip(".")),
        verdict=verdict and Verdict(**verdict),
    )


def scripted(document: Json) -> Step:
    """Return the step after so many events; the document is checked as the real solver does."""
    parse_alignment(document)
    step = STEPS[min(len(document["events"]), len(STEPS) - 1)]
    return step_of(step | {"verdict": VERDICT if step["do"] == "done" else None})


def mark(u_mm: float = 1.5, v_mm: float = -0.5, *, new: bool | None = True, shape: str = "round") -> Mark:
    return Mark((u_mm, v_mm), (0.02, 0.03), (4.1, 3.8), shape, None, new)


def reading(station: str, *marks: Mark) -> Reading:
    return Reading(station, marks or (mark(),), VIEW)


def blank_card(station: str = "mirror-1") -> NoReading:
    """The card of that station, and no mark on it."""
    return NoReading("no new mark; is the power high enough?", "no-mark", VIEW, station)


@dataclass
class Script:
    """What the next readings will be, the last one repeats; the card in view, and the marks on its tape."""

    readings: list[Reading | NoReading] = field(default_factory=lambda: [reading("mirror-1")])
    card: str | None = "mirror-1"
    old_marks: int = 0
    view: CardView = VIEW

    def read(self, after: Pixels, before: Pixels | None) -> Reading | NoReading:
        return self.readings.pop(0) if len(self.readings) > 1 else self.readings[0]

    def services(self, next_step: Callable[[Json], Step] = scripted) -> Services:
        return Services(
            next_step=next_step,
            explain=_explain,
            read=self.read,
            find_card=self.find,
            marks_on=lambda picture: self.old_marks,
            load_picture=_load,
        )

    def find(self, picture: Pixels) -> tuple[str, CardView] | NoReading:
        return (self.card, self.view) if self.card else NoReading("no card", "no-card")


def _explain(document: Json) -> str:
    return f"Weighed {len(document['events'])} events."


def _load(data: bytes) -> Pixels:
    if not data.startswith(b"picture"):
        raise PictureRefused("not a JPEG or PNG picture")
    return blank()


def blank() -> Pixels:
    return np.full((72, 128, 3), 200, np.uint8)


@dataclass
class Bench:
    """A source that remembers what was asked of it and can be told to have no picture."""

    kind: str = "practice"
    reads: bool = True
    frame_age_s: float = 0.0
    asked: list[tuple[str, object]] = field(default_factory=list)
    dark: bool = False
    frames: int = 0

    def machine(self) -> Json | None:
        return MACHINE if self.kind == "practice" else None

    def frame(self) -> Pixels:
        if self.dark:
            raise NoPicture("The camera sends nothing: is it plugged in?")
        self.frames += 1
        return blank()

    problem: str | None = None
    focus: str | None = None

    def look(self, *, newer_than: int, timeout_s: float) -> Frame:
        return Frame(self.frame(), float(self.frames), self.frames)

    def set_pace(self, frames_per_s: float) -> None:
        self.asked.append(("pace", frames_per_s))

    def hold_light(self, hold: bool) -> None:
        self.asked.append(("light", hold))

    def hang(self, place: Place) -> None:
        self.frame()
        self.asked.append(("hang", place))

    def shot(self) -> Shot:
        self.asked.append(("pulse", None))
        return Shot(self.frame(), blank())

    def taken(self, after: Pixels) -> None:
        self.asked.append(("taken", None))

    def turn(self, mount: int, screw: str, turns: float) -> None:
        self.asked.append(("turn", (mount, screw, turns)))

    def ease(self, mount: int, screw: str, turns: float) -> None:
        self.asked.append(("ease", (mount, screw, turns)))

    def shift(self, part: str, move_mm: list[float]) -> None:
        self.asked.append(("shift", (part, move_mm)))

    def inspected(self, cause: str, outcome: str) -> None:
        self.asked.append(("inspected", (cause, outcome)))

    def renew(self, options: Json) -> None:
        self.asked.append(("renew", options))

    def to_json(self) -> Json:
        return {"asked": len(self.asked)}

    def restore(self, data: Json) -> None:
        self.asked.append(("restore", data))

    def close(self) -> None:
        self.asked.append(("close", None))
