"""Replay a recorded alignment through vision, log and solver, without waiting for any clock.

A mark that the frame loop does not save by itself is read from the pictures that it was read from originally.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from math import hypot
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from firmware import Frame, FrameLike
from server.errors import plain
from server.log import Json, Log
from server.rig.frame_loop import FrameLoop
from server.rig.live_marks import LiveMarks
from server.rig.recorder import INDEX, SHOTS
from server.session.events import MarkSeen, event_json, event_of
from server.session.session import Refused, Session
from server.sources.base import NoPicture, OfflineSource, Pixels, Place, Shot
from vision import PictureRefused, load_picture

__all__ = ["Difference", "Replayed", "read_recording", "replay"]

_MEASURED = ("offset_mm", "sigma_mm", "hanging")


class _At(BaseModel):
    """Where the card hangs."""

    station: str
    head_mm: tuple[float, float]


class _Picture(BaseModel):
    """A frame of the camera."""

    picture: str = Field(pattern=r"^\d{6}\.jpg$")
    time_s: float = Field(allow_inf_nan=False)
    number: int


class _Shot(BaseModel):
    """The names of the pictures that a mark was read from, None where there was none."""

    before: str | None = Field(default=None, pattern=rf"^{SHOTS}/\d{{6}}\.png$")
    after: str | None = Field(default=None, pattern=rf"^{SHOTS}/\d{{6}}\.png$")


class _Did(BaseModel):
    """One action; begin has a ``machine``, hang a ``place``, event and withdraw an ``event``."""

    kind: Literal["begin", "hang", "watch", "event", "withdraw"]
    machine: Json | None = None
    place: _At | None = None
    event: Json | None = None
    on: bool = True
    watch: bool = True  # in old recordings the camera always watched


class _Action(BaseModel):
    """An action, and the pictures that its mark was read from."""

    did: _Did
    shot: _Shot | None = None


_LINE: TypeAdapter[_Picture | _Action] = TypeAdapter(_Picture | _Action)


@dataclass(frozen=True)
class Difference:
    """An event as recorded and as replayed; None where it is missing."""

    recorded: Json | None
    replayed: Json | None


@dataclass
class Replayed:
    """The result of a replay: the events then and now, and the step that is due at the end."""

    recorded: list[Json] = field(default_factory=list)
    events: list[Json] = field(default_factory=list)
    step: Json = field(default_factory=dict)

    def differences(self, *, tolerance_mm: float = 0.1) -> list[Difference]:
        """Return the differences: events on one side only, and marks further apart than ``tolerance_mm``.

        Events are paired in order by kind, place, screw and turns; a missing one does not make all later ones
        differ.
        """
        then, now = [_what(event) for event in self.recorded], [_what(event) for event in self.events]
        found: list[Difference] = []
        for tag, a, b, c, d in SequenceMatcher(None, then, now, autojunk=False).get_opcodes():
            if tag == "equal":
                pairs = zip(self.recorded[a:b], self.events[c:d], strict=True)
                found += [Difference(x, y) for x, y in pairs if not _near(x, y, tolerance_mm)]
            else:
                found += [Difference(x, None) for x in self.recorded[a:b]]
                found += [Difference(None, y) for y in self.events[c:d]]
        return found


def read_recording(folder: Path) -> Iterator[Json]:
    """Return the lines of a recording in order; raises ValueError, one line, if it is not one."""
    try:
        lines = (folder / INDEX).read_text("utf-8").splitlines()
    except OSError as error:
        raise ValueError(f"{folder / INDEX}: {error.strerror}: is that a recording?") from None
    except ValueError as error:  # not text, or an impossible path
        raise ValueError(f"{folder / INDEX}: {error}: is that a recording?") from None
    for number, line in enumerate(lines, start=1):
        try:
            yield json.loads(line)
        except (ValueError, RecursionError):
            if number < len(lines):  # the last line may be torn by a power cut
                raise ValueError(f"{INDEX}, line {number}: not JSON") from None


def replay(folder: Path, data: Path, *, report: Callable[[str], object] = lambda _: None) -> Replayed:
    """Play the recording into a new log at ``data`` and return the result. Raises ValueError, one line."""
    player: _Player | None = None
    source = _Played()
    for number, content in enumerate(read_recording(folder), start=1):
        line = _checked(content, number)
        if isinstance(line, _Picture):
            source.show(Frame(_pixels(folder, line.picture), line.time_s, line.number))
            if player is not None:
                player.frame_loop.look()
        elif player is not None:
            player.do(line, folder)
        elif line.did.kind == "begin" and line.did.machine is not None:
            player = _Player(Session(Log(data), source, machine=line.did.machine), source, report)
            player.begin(line.did)
        else:
            raise ValueError(f"{INDEX}: does not begin with the laser's profile")
    if player is None:
        raise ValueError(f"{INDEX}: nothing was recorded")
    return player.result()


class _Player:
    """Repeats the recorded actions with a session."""

    def __init__(self, session: Session, source: _Played, report: Callable[[str], object]) -> None:
        self._session, self._source, self._report = session, source, report
        self._recorded: list[Json] = []
        self.frame_loop = FrameLoop(LiveMarks(session), source)

    def begin(self, did: _Did) -> None:
        """Begin a new alignment."""
        self._session.acknowledge()
        self._session.watch(did.watch)
        self._recorded.clear()

    def do(self, action: _Action, folder: Path) -> None:
        """Repeat one action; reports a refusal."""
        did = action.did
        try:
            if did.kind == "hang" and did.place is not None:
                self._session.hang(Place(did.place.station, did.place.head_mm))
            elif did.kind == "begin":
                self._session.restart(machine=did.machine)
                self.begin(did)
            elif did.kind == "watch":
                self._session.watch(did.on)
            elif did.event is not None and did.kind == "withdraw":
                self._withdraw(did.event)
            elif did.event is not None:
                self._recorded.append(did.event)
                self._event(did.event, action.shot or _Shot(), folder)
        except Refused as refusal:
            self._report(refusal.message)
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"{INDEX}: {did.kind} {did.event}: cannot be played ({error})") from None

    def result(self) -> Replayed:
        """Return the result so far."""
        now = self._session.snapshot()
        events = [event_json(event) for event in now.counted]
        return Replayed(self._recorded, events, now.step.as_json())

    def _event(self, event: Json, shot: _Shot, folder: Path) -> None:
        session, kind = self._session, event["kind"]
        if kind == "turn":
            session.turn(event["mount"], event["screw"], event["turns"])
        elif kind == "shift":
            session.shift(event["part"], event["move_mm"])
        elif kind == "inspected":
            session.inspected(event["cause"], event["outcome"])
        elif kind == "no-mark":
            self._blank(Place.from_json(event))
        elif not self._taken(event):  # the frame loop was not sure, or a person reported it
            self._mark(event, shot, folder)

    def _blank(self, place: Place) -> None:
        """Report no mark, twice if needed: then it counts."""
        with suppress(Refused):
            self._session.no_mark(place)
            return
        self._session.no_mark(place)

    def _taken(self, event: Json) -> bool:
        """Whether the frame loop saved this mark by itself."""
        now = self._session.snapshot()
        return bool(now.used and now.counted and _what(event_json(now.counted[-1])) == _what(event))

    def _mark(self, event: Json, shot: _Shot, folder: Path) -> None:
        if shot.after is None and self._source.frames == 0:
            mark = event_of(event)
            assert isinstance(mark, MarkSeen)
            self._session.typed(Place.of(mark), mark.offset_mm, mark.sigma_mm)
            return
        if shot.after is not None:
            before = _pixels(folder, shot.before) if shot.before else None
            self._source.next_shot = Shot(_pixels(folder, shot.after), before)
        self._pulse(event)

    def _pulse(self, event: Json) -> None:
        try:
            self._session.pulse()
        except Refused:
            waiting = self._session.snapshot().candidates
            if not waiting:
                raise
            away = [hypot(u - event["offset_mm"][0], v - event["offset_mm"][1]) for u, v in waiting]
            self._session.choose(away.index(min(away)))  # the one that the person chose

    def _withdraw(self, event: Json) -> None:
        self._recorded[:] = [kept for kept in self._recorded if kept != event]
        for entry in reversed(self._session.snapshot().events):
            if not entry.withdrawn and _what(event_json(entry.event)) == _what(event):
                self._session.withdraw(entry.id)
                return


class _Played(OfflineSource):
    """Shows the recorded frame that is due, and the recorded pictures around a pulse if there are any."""

    kind = "camera"

    def __init__(self) -> None:
        self._frame: Frame | None = None
        self._before: Pixels | None = None
        self.frames = 0
        self.next_shot: Shot | None = None

    def show(self, frame: Frame) -> None:
        self._frame = frame
        self.frames += 1

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        if self._frame is None:
            raise NoPicture("nothing recorded yet")
        return self._frame

    def frame(self) -> Pixels:
        return self.look(newer_than=-1, timeout_s=0.0).pixels

    def hang(self, place: Place) -> None:
        self._before = self._frame.pixels if self._frame is not None else None

    def shot(self) -> Shot:
        shot, self.next_shot = self.next_shot, None
        return shot or Shot(self.frame(), self._before)

    def taken(self, after: Pixels) -> None:
        self._before = after


def _checked(content: Any, number: int) -> _Picture | _Action:
    try:
        return _LINE.validate_python(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"] if not str(part).startswith("_"))
        raise ValueError(f"{INDEX}, line {number}: {where}: {plain(first['msg'])}") from None


def _pixels(folder: Path, name: str) -> Pixels:
    if not (folder / name).resolve().is_relative_to(folder.resolve()):
        raise ValueError(f"{folder / name}: leads out of the recording")
    try:
        return load_picture(folder / name)
    except PictureRefused as error:
        raise ValueError(str(error)) from None


def _what(event: Json) -> str:
    """Return what identifies an event, without what was measured."""
    return json.dumps({key: event[key] for key in event if key not in _MEASURED}, sort_keys=True)


def _near(then: Json, now: Json, tolerance_mm: float) -> bool:
    if then["kind"] != "mark":
        return True
    return all(abs(a - b) <= tolerance_mm for a, b in zip(then["offset_mm"], now["offset_mm"], strict=True))
