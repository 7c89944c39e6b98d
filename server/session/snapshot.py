"""The state of a session at one moment, for the pages: frozen and fully typed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firmware.health import Finding
from server.log import Json
from server.session.check import Check
from server.session.events import Entry, Event, MarkSeen
from server.solver import Profile, Step
from server.solver.machine.profile import Point
from server.solver.steps import Expect
from server.sources.base import Place, Placed

__all__ = ["CardInPicture", "Hardware", "LiveMark", "RigSight", "SeenMark", "Snapshot", "marked_place"]


@dataclass(frozen=True)
class LiveMark:
    """The mark in the newest frame.

    taken_s : when the frame was taken, monotonic. taken_ms : the same instant by the wall clock, only for a
    browser to compare with its own.
    """

    station: str
    offset_mm: Point
    sigma_mm: Point
    taken_s: float
    taken_ms: float

    def as_json(self) -> Json:
        """Return plain JSON values."""
        pairs = {"offset_mm": list(self.offset_mm), "sigma_mm": list(self.sigma_mm)}
        return {"station": self.station, **pairs, "taken_s": self.taken_s, "taken_ms": self.taken_ms}


@dataclass(frozen=True)
class SeenMark:
    """The mark of the newest pulse, as it was read."""

    station: str
    head_mm: Point
    offset_mm: Point
    sigma_mm: Point
    width_mm: Point
    shape: str
    warnings: tuple[str, ...] = ()

    def as_json(self) -> Json:
        """Return plain JSON values."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in vars(self).items()}

    @classmethod
    def from_json(cls, data: Json) -> SeenMark:
        """Return what ``as_json`` gave."""
        known = {name: data[name] for name in cls.__dataclass_fields__ if name in data}
        frozen: Json = {
            key: tuple(value) if isinstance(value, list) else value for key, value in known.items()
        }
        return cls(**frozen)


@dataclass(frozen=True)
class CardInPicture:
    """Where the card is in pictures of ``size_px`` (cols, rows): homography from its mm to pixels."""

    station: str
    homography: tuple[tuple[float, ...], ...]
    size_px: tuple[int, int]
    markers_seen: int

    def as_json(self) -> Json:
        """Return plain JSON values."""
        rows = [list(row) for row in self.homography]
        size = list(self.size_px)
        return {
            "station": self.station,
            "homography": rows,
            "size_px": size,
            "markers_seen": self.markers_seen,
        }


@dataclass(frozen=True)
class RigSight:
    """What a remote rig reports of itself; ``seen``: how many pictures it has sent."""

    name: str
    station: str | None = None
    offset_mm: Point | None = None
    fault: str = ""
    lid_closed: bool | None = None
    has_picture: bool = False
    seen: int = 0
    silent: bool = False

    def as_json(self) -> Json:
        """Return plain JSON values."""
        offset = None if self.offset_mm is None else list(self.offset_mm)
        return {**vars(self), "offset_mm": offset}


@dataclass(frozen=True)
class Hardware:
    """Faults, the lid, the live mark, and remote rigs.

    from_mm : where the beam struck as this step began (u, v), seen on film that fades; None where not seen.
    """

    faults: tuple[Finding, ...] = ()
    lid_closed: bool | None = None
    live: LiveMark | None = None
    from_mm: Point | None = None
    rigs: tuple[RigSight, ...] = ()

    def as_json(self) -> Json:
        """Return plain JSON values."""
        return {
            "faults": [{"code": f.code, "line": f.line, "urgent": f.urgent} for f in self.faults],
            "lid_closed": self.lid_closed,
            "live": self.live.as_json() if self.live else None,
            "rigs": [rig.as_json() for rig in self.rigs],
        }


@dataclass(frozen=True)
class Snapshot:
    """All that is known of one alignment under way.

    version : rises with every change. run : identifies this process. source : practice, camera or offline.
    step_name : names the step, so that an answer says which it answers. cautions : whether acknowledged.
    place : where the card was said to hang. aimed : where the mark after the newest move should land.
    misses : how many pulses at the right card left no mark. used : the tape has been fired at. watch : marks
    are saved as the camera sees them. film : the card holds film that shows the beam at once, no tape.
    turned : a held screw has turned. may_undo : the newest event can be taken back. check : the one under
    way.
    """

    version: int
    run: str
    source: str
    alignment: int | None
    step_name: str
    machine: Profile
    step: Step
    cautions: bool = False
    place: Place | None = None
    aimed: Expect | None = None
    seen: SeenMark | None = None
    misses: int = 0
    used: bool = False
    watch: bool = False
    film: bool = False
    turned: bool = False
    said: str = ""
    candidates: tuple[Point, ...] = ()
    events: tuple[Entry, ...] = ()
    card: CardInPicture | None = None
    rig: Hardware = Hardware()
    may_undo: bool = False
    check: Check | None = None

    @property
    def checked(self) -> bool:
        """Whether a check has all its marks, and nothing was moved since."""
        return self.checking and not (self.check and self.check.left(self.counted))

    @property
    def checking(self) -> bool:
        """Whether a check is under way, or has all its marks and awaits the person's decision."""
        return self.check is not None and not self.check.is_over(self.counted)

    @property
    def wrong_card(self) -> str | None:
        """The station of the card in view, if another was said to hang and another is wanted; else None."""
        seen, place = self.card, self.place
        if self.source != "camera" or seen is None or place is None:
            return None
        right = {place.station} | ({self.wanted.station} if self.wanted else set())
        return None if seen.station in right else seen.station

    @property
    def expect(self) -> Expect | None:
        """Where the next mark should land, after this step or after the newest move."""
        return self.step.expect or self.aimed

    @property
    def counted(self) -> tuple[Event, ...]:
        """The events that were not withdrawn, oldest first."""
        return tuple(entry.event for entry in self.events if not entry.withdrawn)

    @property
    def shapes(self) -> dict[str, str]:
        """The shape of the marks that vision read at each station; if any is not round, its shape counts."""
        seen: dict[str, str] = {}
        for entry in self.events:
            event = entry.event
            if not isinstance(event, MarkSeen) or entry.shape is None or entry.withdrawn:
                continue
            if seen.get(event.station, "round") == "round":
                seen[event.station] = entry.shape
        return seen

    @property
    def newest_mark(self) -> tuple[int, MarkSeen] | None:
        """The number and event of the newest mark that was not withdrawn."""
        for entry in reversed(self.events):
            if isinstance(entry.event, MarkSeen) and not entry.withdrawn:
                return entry.id, entry.event
        return None

    @property
    def wanted(self) -> Placed | None:
        """Where the step wants its mark, or else where it expects the next one."""
        return marked_place(self.step) or self.step.expect

    @property
    def hangs_there(self) -> bool:
        """Whether the card that hangs is the one for the step's mark; it may have to be hung again."""
        return self.place is not None and self.place.station == self.step.station

    @property
    def card_stays(self) -> bool:
        """Whether the card that hangs needs fresh tape at most."""
        return self.hangs_there and self.step.hang != "anew"

    @property
    def card_is_ready(self) -> bool:
        """Whether card (unused) and head are where the step wants its mark."""
        wanted = marked_place(self.step)
        ready = wanted and self.place and not self.used and self.place.agrees(wanted)
        return bool(ready and self.wrong_card is None)

    @property
    def pulse_is_due(self) -> bool:
        """Whether the next thing to do is to fire."""
        return self.cautions and self.card_is_ready


def marked_place(step: Step) -> Place | None:
    """Return where a step wants a mark; None for any other step."""
    if step.do != "mark" or step.station is None or step.head_mm is None:
        return None
    return Place(step.station, step.head_mm)


def expect_of(data: Any) -> Expect | None:
    """Return what ``Expect.as_json`` gave, or None."""
    if data is None:
        return None
    (x, y), (u, v) = data["head_mm"], data["offset_mm"]
    return Expect(data["station"], (x, y), (u, v), data["sigma_mm"])
