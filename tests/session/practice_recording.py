"""Record a practice alignment while doing the page's steps one by one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from server.log import Log
from server.practice import PracticeMachine
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.rig.recorder import Recorder
from server.session.events import event_json
from server.session.session import Refused, Session
from server.session.snapshot import marked_place
from server.solver import Step
from server.sources.practice_source import PracticeSource

Json = dict[str, Any]


def record_practice(folder: Path, seed: int, *, actions: int) -> list[Json]:
    """Record an alignment of that practice laser in folder/recording; returns its events."""
    source = PracticeSource(PracticeMachine(seed))
    session = Session(Log(folder / "data"), source, machine=source.machine() or {})
    recorder = Recorder(folder / "recording")
    frame_loop = FrameLoop(LiveMarks(session), source, keep=recorder.keep)
    recorder.note(session.beginning())
    session.listeners.append(recorder.note)
    session.acknowledge()
    for _ in range(actions):
        frame_loop.look()
        step = session.snapshot().step
        if step.do in ("done", "stop"):
            break
        _obey(session, frame_loop, step)
    recorder.close()
    source.close()
    return [event_json(event) for event in session.snapshot().counted]


def _obey(session: Session, frame_loop: FrameLoop, step: Step) -> None:
    if step.mount is not None:
        session.turn(step.mount, step.screw or "", step.turns or 0.0)
    elif step.part is not None and step.move_mm is not None:
        session.shift(step.part, list(step.move_mm))
    elif step.cause is not None:
        session.inspected(step.cause, "nothing-found")
    elif (place := marked_place(step)) is not None:
        session.hang(place)
        frame_loop.look()
        _pulse(session)
    frame_loop.look()


def _pulse(session: Session) -> None:
    for _ in range(2):
        try:
            session.pulse()
            return
        except Refused:
            if session.snapshot().candidates:
                session.choose(0)
                return
    session.no_mark()
