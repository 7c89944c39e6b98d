"""A practice alignment that is recorded while the page's steps are done one by one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from server.log import Log
from server.practice import PracticeMachine
from server.rig.frame_loop import Eye
from server.rig.live_marks import Watching
from server.rig.recorder import Recorder
from server.session.session import Refused, Session
from server.sources.base import Place
from server.sources.practice_source import PracticeSource

Json = dict[str, Any]


def practise(folder: Path, seed: int, *, deeds: int) -> list[Json]:
    """Record an alignment of that practice laser in folder/recording; returns the events that came of it."""
    source = PracticeSource(PracticeMachine(seed))
    session = Session(Log(folder / "data"), source, machine=source.machine() or {})
    recorder = Recorder(folder / "recording")
    eye = Eye(Watching(session), source, keep=recorder.keep)
    recorder.note(session.beginning())
    session.listeners.append(recorder.note)
    session.acknowledge()
    for _ in range(deeds):
        eye.look()
        step = session.snapshot()["step"]
        if step["do"] in ("done", "stop"):
            break
        _obey(session, eye, step)
    recorder.close()
    source.close()
    return [row["event"] for row in session.snapshot()["events"] if not row["withdrawn"]]


def _obey(session: Session, eye: Eye, step: Json) -> None:
    if step["do"] == "turn":
        session.turn(step["mount"], step["screw"], step["turns"])
    elif step["do"] == "shift":
        session.shift(step["part"], step["move_mm"])
    elif step["do"] == "inspect":
        session.inspected(step["cause"], "nothing-found")
    else:
        session.hang(Place.from_json(step))
        eye.look()
        _pulse(session)
    eye.look()


def _pulse(session: Session) -> None:
    try:
        session.pulse()
    except Refused:
        if session.snapshot()["candidates"]:
            session.choose(0)
        else:
            session.no_mark()
