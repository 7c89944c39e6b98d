"""A recorded alignment played through everything again: eye, reading, log, solver; no clock is waited for."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firmware import Frame, FrameLike
from server.errors import plain
from server.log import Log
from server.rig.frame_loop import Eye
from server.rig.live_marks import Watching
from server.rig.recorder import INDEX
from server.rig.recording_form import checked_line, picture_in
from server.session.session import Refused, Session
from server.sources.base import NoPicture, OfflineSource, Pixels, Place, Shot
from vision import PictureRefused, load_picture

__all__ = ["Difference", "Replayed", "read_recording", "replay"]

Json = dict[str, Any]


@dataclass(frozen=True)
class Difference:
    """An event as it was recorded and as it came out now; None where there is none."""

    recorded: Json | None
    replayed: Json | None


@dataclass
class Replayed:
    """What a replay gave: the events then and now, and the step that is due at the end."""

    recorded: list[Json] = field(default_factory=list)
    events: list[Json] = field(default_factory=list)
    step: Json = field(default_factory=dict)

    def differences(self, *, tolerance_mm: float = 0.1) -> list[Difference]:
        """Return where both disagree: another kind or place, or a mark further off than that."""
        longer = max(len(self.recorded), len(self.events))
        pairs = [(_at(self.recorded, i), _at(self.events, i)) for i in range(longer)]
        return [Difference(then, now) for then, now in pairs if not _same(then, now, tolerance_mm)]


def read_recording(folder: Path) -> Iterator[Json]:
    """Return the lines of a recording in order; raises ValueError, one line, where it is none."""
    try:
        lines = (folder / INDEX).read_text("utf-8").splitlines()
    except OSError as error:
        raise ValueError(f"{folder / INDEX}: {error.strerror}: is that a recording?") from None
    except ValueError as error:  # not text, or a path that none can be
        raise ValueError(f"{folder / INDEX}: {error}: is that a recording?") from None
    for number, line in enumerate(lines, start=1):
        try:
            content = checked_line(line)
        except json.JSONDecodeError:
            if number < len(lines):  # the last line may be torn: the power was pulled
                raise ValueError(f"{INDEX}, line {number}: not JSON") from None
        except ValueError as error:
            raise ValueError(f"{INDEX}, line {number}: {plain(str(error))}") from None
        else:
            yield content


def replay(folder: Path, data: Path, *, told: Callable[[str], object] = lambda _: None) -> Replayed:
    """Play the recording into a new log at ``data``; returns what came of it. Raises ValueError, one line."""
    result, source = Replayed(), _Played()
    session: Session | None = None
    eye: Eye | None = None
    for line in read_recording(folder):
        if "picture" in line:
            source.show(_frame(folder, line))
            if eye is not None:
                eye.look()
            continue
        deed = line["did"]
        if deed["kind"] == "begin" and session is None:
            session = Session(Log(data), source, machine=deed["machine"])
            session.acknowledge()
            session.watch(True)
            eye = Eye(Watching(session), source)
        elif session is None:
            raise ValueError(f"{INDEX}: does not begin with the laser's profile")
        else:
            _do(session, deed, result, told)
    if session is None:
        raise ValueError(f"{INDEX}: nothing was recorded")
    result.events = [row["event"] for row in session.snapshot()["events"] if not row["withdrawn"]]
    result.step = session.snapshot()["step"]
    return result


def _do(session: Session, deed: Json, result: Replayed, told: Callable[[str], object]) -> None:
    try:
        if deed["kind"] == "hang":
            session.hang(Place.from_json(deed["place"]))
            session.watch(True)
        elif deed["kind"] == "begin":
            session.restart(machine=deed["machine"])
            session.acknowledge()
            result.recorded.clear()
        elif deed["kind"] == "event":
            result.recorded.append(deed["event"])
            _event(session, deed["event"])
    except Refused as refusal:
        told(refusal.message)


def _event(session: Session, event: Json) -> None:
    kind = event["kind"]
    if kind == "turn":
        session.turn(event["mount"], event["screw"], event["turns"])
    elif kind == "shift":
        session.shift(event["part"], event["move_mm"])
    elif kind == "inspected":
        session.inspected(event["cause"], event["outcome"])
    elif kind == "no-mark":
        session.no_mark(Place.from_json(event))
    elif not session.snapshot()["used"]:  # a person pressed the button before the eye was sure
        session.pulse()


class _Played(OfflineSource):
    """Shows the recorded frame that is due; the picture from before is the one when the card was hung."""

    kind = "camera"

    def __init__(self) -> None:
        self._frame: Frame | None = None
        self._before: Pixels | None = None

    def show(self, frame: Frame) -> None:
        self._frame = frame

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        if self._frame is None:
            raise NoPicture("nothing recorded yet")
        return self._frame

    def frame(self) -> Pixels:
        return self.look(newer_than=-1, timeout_s=0.0).pixels

    def hang(self, place: Place) -> None:
        self._before = self.frame()

    def shot(self) -> Shot:
        return Shot(self.frame(), self._before)

    def taken(self, after: Pixels) -> None:
        self._before = after


def _frame(folder: Path, line: Json) -> Frame:
    try:
        pixels = load_picture(picture_in(folder, line["picture"]))
    except PictureRefused as error:
        raise ValueError(str(error)) from None
    return Frame(pixels, float(line["time_s"]), int(line["number"]))


def _at(events: list[Json], index: int) -> Json | None:
    return events[index] if index < len(events) else None


def _same(then: Json | None, now: Json | None, tolerance_mm: float) -> bool:
    if then is None or now is None:
        return False
    if then["kind"] == now["kind"] == "mark":
        near = all(
            abs(a - b) <= tolerance_mm for a, b in zip(then["offset_mm"], now["offset_mm"], strict=True)
        )
        return near and all(then[key] == now[key] for key in ("station", "head_mm"))
    return then == now
