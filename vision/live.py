"""A stream of frames: the card is tracked, a pulse is seen, its mark read once it has settled.

Nothing here reads a clock: every frame comes with its time. A frame is compared with an earlier quiet one,
both flattened into the card's frame, so a knocked camera, a flickering lamp or a new exposure is not a change
of the tape. A change too faint for one frame, such as a second pulse on burnt tape, is looked for as a step
in time. A still camera shows such a step far below a mark's usual contrast.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from vision.calibrate import CameraModel
from vision.candidates import Mask
from vision.core import marks_on, read_between
from vision.errors import BarRefused
from vision.find import find_card, to_grey, track
from vision.measure import TrackedMark, follow
from vision.on_top import on_top
from vision.picture import Pixels
from vision.pulse import Change, Quiet, Steps, change_from, like
from vision.reading import CardView, Mark, NoReading, Reading

Event = Literal[
    "card found", "card lost", "card moved", "pulse seen", "mark settled", "no mark", "on top", "hand in view"
]

_SETTLED_S = 0.35  # the change must keep its pattern this long
_PATIENCE_S = 20.0  # smoke that never clears
_KNOCK_MM = 0.6
_CALM_FRAMES = 3
_SAME_PATTERN, _UNDONE = 0.97, -0.7
_STAYS_S = 2.0  # a hand does not keep that still
_REFRESH_S, _REFRESH_FRAMES = 1.0, 12  # the picture before must be older than the frames a step compares
_TOLD_S = 1.2  # a reported pulse that has changed nothing by then has left no visible mark
_FLASH = 25.0  # levels brighter than the quiet tape: a glow, a flame
_NEAR_OLD_MM = 0.8


@dataclass(frozen=True, eq=False)
class Moment:
    """What one frame showed: events in order, the reading while there is a mark, the card's view, and why
    there is no reading, one line or None.

    `on_top` comes with the event "on top": a pulse was seen (a flash, a faint step) or reported, left nothing
    that can be read by itself, and an older mark lies there. It is that mark, with `new` true and its sigma
    widened by the distance within which the new mark can be hidden.
    """

    time_s: float
    events: tuple[Event, ...]
    station: str | None
    card: CardView | None
    reading: Reading | None
    reason: str | None = None
    on_top: Mark | None = None


@dataclass
class _Best:
    """The frame of greatest contrast since the change kept its pattern."""

    picture: Pixels
    view: CardView
    change: Change
    since_s: float


@dataclass
class Stream:
    """Feed it frames in order of time; it remembers the quiet card, the pulse under way and the last mark.

    One stream watches one camera. `feed` never raises on a picture; if something cannot be read, the `Moment`
    says so.
    """

    camera: CameraModel | None = None
    bar_mm: float | tuple[float, float] | None = None
    _station: str | None = None
    _size: str = "standard"
    _view: CardView | None = None
    _anchor: CardView | None = None
    _quiet: Quiet | None = None
    _before: tuple[Pixels, CardView] | None = None
    _calm: int = 0
    _pulse_s: float | None = None
    _wide: tuple[Change, float] | None = None
    _mark_change: Change | None = None
    _before_s: float = 0.0
    _disturbed: bool = False
    _best: _Best | None = None
    _follower: TrackedMark | None = None
    _reading: Reading | None = None
    _events: list[Event] = field(default_factory=list)
    _steps: Steps = field(default_factory=Steps)
    _fresher: tuple[Pixels, CardView] | None = None
    _fresher_frames: int = 0
    _told_s: float | None = None
    _flashed: bool = False
    _on_top: Mark | None = None

    def pulse_told(self, time_s: float) -> None:
        """Report that a pulse was fired at this time (a button, a foot switch). If nothing changes and an
        older mark lies there, the answer is "on top".
        """
        self._told_s = time_s

    def feed(self, picture: Pixels, time_s: float) -> Moment:
        """Take one BGR frame, (rows, cols, 3) uint8, seen at a time in seconds; return what it showed."""
        self._events, self._on_top = [], None
        if self.camera is not None:
            picture = self.camera.straighten(picture)
        reason = self._locate(picture)
        if self._view is None:
            return self._moment(time_s, reason)
        if self._quiet is None:
            self._settle_down(picture)
            return self._moment(time_s, None)
        change = change_from(self._quiet, picture, self._view)
        if self._pulse_s is None:
            self._watch(picture, change, time_s)
        else:
            self._await(picture, change, time_s)
        overdue = self._told_s is not None and self._pulse_s is None and time_s - self._told_s > _TOLD_S
        if overdue and not self._say_on_top(picture):
            self._events.append("no mark")
        return self._moment(time_s, None)

    def fresh_card(self) -> None:
        """Forget the tape that was there: a new card or new tape hangs now."""
        self._quiet = self._before = self._best = self._follower = self._reading = self._pulse_s = None
        self._wide = self._mark_change = self._told_s = self._fresher = None
        self._calm = 0
        self._steps.clear()

    def _moment(self, time_s: float, reason: str | None) -> Moment:
        return Moment(
            time_s, tuple(self._events), self._station, self._view, self._reading, reason, self._on_top
        )

    def _locate(self, picture: Pixels) -> str | None:
        """Track the card, or search for it; returns why it is not there."""
        if self._view is not None and self._station is not None:
            tracked = track(to_grey(picture), self._station, self._view, self.bar_mm)
            if tracked is not None:
                self._view = tracked
                self._notice_knock()
                return None
        found = self._search(picture)
        if isinstance(found, NoReading):
            if self._view is not None:
                self._events.append("card lost")
                self._disturbed = True
            self._view = None
            return found.reason
        if (found[0], found[1].size) != (self._station, self._size):
            self.fresh_card()
            self._station, self._size = found[0], found[1].size
        if self._view is None:
            self._events.append("card found")
        self._view = found[1]
        self._notice_knock()
        return None

    def _search(self, picture: Pixels) -> tuple[str, CardView] | NoReading:
        try:
            return find_card(picture, bar_mm=self.bar_mm)
        except BarRefused as error:
            return NoReading(str(error), "no-card")

    def _notice_knock(self) -> None:
        """Add an event when the card's place in the picture jumps by more than a camera trembles."""
        assert self._view is not None
        if self._anchor is None:
            self._anchor = self._view
            return
        moved_px = np.abs(self._view.homography[:2, 2] - self._anchor.homography[:2, 2]).max()
        if moved_px > _KNOCK_MM * self._view.px_per_mm:
            self._events.append("card moved")
            self._anchor = self._view

    def _settle_down(self, picture: Pixels) -> None:
        """The first frames with a card make the quiet picture."""
        assert self._view is not None
        self._calm += 1
        if self._calm >= _CALM_FRAMES:
            self._quiet = Quiet.of(picture, self._view)
            self._before = (picture.copy(), self._view)

    def _watch(self, picture: Pixels, change: Change, time_s: float) -> None:
        """Look for a pulse, as distinct from a hand and from fading; keep a mark's offset up to date."""
        if change.covers_much or change.is_local:
            self._steps.clear()
        if change.covers_much:
            self._wait_for_light(picture, change, time_s)
            return
        self._wide = None
        if change.is_local and self._fades(change):
            self._follower = None
            if self._disturbed:
                self._reading = None  # the mark did not fade: somebody changed the tape
            self._renew(picture)
        elif change.is_local:
            self._pulse_s, self._best, self._flashed = time_s, None, False
            self._events.append("pulse seen")
            self._await(picture, change, time_s)
        else:
            self._idle(picture, change, time_s)

    def _wait_for_light(self, picture: Pixels, change: Change, time_s: float) -> None:
        """A hand goes away again. New tape or a new lamp stays, and its frame becomes the quiet one."""
        if self._wide is None:
            self._events.append("hand in view")
            self._disturbed = True
        if self._wide is None or like(self._wide[0], change) < _SAME_PATTERN:
            self._wide = (change, time_s)
        elif time_s - self._wide[1] > _STAYS_S:
            self._wide = None
            self._renew(picture)
            if self._seen_again(picture) is None:
                self._reading = self._follower = None

    def _idle(self, picture: Pixels, change: Change, time_s: float) -> None:
        """Nothing happens: follow the slow change of daylight, and read the mark again."""
        assert self._quiet is not None and self._view is not None
        stepped = self._steps.take(change.levels, self._quiet)
        if stepped is not None and self._stepped(picture, stepped):
            return
        self._quiet.drift(change)
        self._fresher_frames += 1
        if time_s - self._before_s > _REFRESH_S and self._fresher_frames >= _REFRESH_FRAMES:
            self._before = self._fresher or self._before
            self._fresher, self._before_s, self._fresher_frames = (picture.copy(), self._view), time_s, 0
        mark = self._seen_again(picture)
        if mark is not None and self._reading is not None:
            self._reading = _with_newest(self._reading, mark, self._view)

    def _stepped(self, picture: Pixels, stepped: Mask) -> bool:
        """A step in time, too faint for one frame: read it, or find the older mark that it lies on."""
        assert self._before is not None and self._station is not None and self._view is not None
        self._steps.clear()
        answer, follower = read_between(self._station, picture, self._view, *self._before)
        if isinstance(answer, Reading):
            self._events += ["pulse seen", "mark settled"]
            self._disturbed, self._reading, self._follower, self._told_s = False, answer, follower, None
            self._renew(picture)
            return True
        older = self._older()
        if not older or not _lies_on(stepped, older, self._view):
            return False
        self._events.append("pulse seen")
        if not self._say_on_top(picture):
            self._events.append("no mark")
        self._renew(picture)
        return True

    def _older(self) -> list[TrackedMark]:
        """The marks in the picture before."""
        return [] if self._before is None else marks_on(*self._before, new=False)

    def _say_on_top(self, picture: Pixels) -> bool:
        """Answer with the older mark on which a pulse must have landed; False if there is none."""
        self._told_s = None
        older = self._older()
        contrast = min((follower.spot.height for follower in older), default=0.0)
        self._on_top = on_top(tuple(follower.mark for follower in older), contrast)
        if self._on_top is not None:
            self._events.append("on top")
        return self._on_top is not None

    def _seen_again(self, picture: Pixels) -> Mark | None:
        if self._follower is None or self._view is None:
            return None
        return follow(self._follower, picture, self._view)

    def _fades(self, change: Change) -> bool:
        """Whether a change undoes the last mark's."""
        return self._mark_change is not None and like(self._mark_change, change) < _UNDONE

    def _await(self, picture: Pixels, change: Change, time_s: float) -> None:
        """After a pulse: wait until the change keeps its pattern, then read the frame of most contrast."""
        assert self._view is not None and self._pulse_s is not None
        self._flashed = self._flashed or change.brighter > _FLASH
        if change.covers_much:
            self._best = None
        elif self._best is None or like(self._best.change, change) < _SAME_PATTERN:
            self._best = _Best(picture.copy(), self._view, change, time_s)
        elif change.contrast > self._best.change.contrast:
            self._best = _Best(picture.copy(), self._view, change, self._best.since_s)
        best = self._best
        if best is not None and time_s - best.since_s >= _SETTLED_S:
            self._settle(best)
        elif time_s - self._pulse_s > _PATIENCE_S:
            self._give_up(picture)

    def _settle(self, best: _Best) -> None:
        """Read what the pulse added and make its frame the quiet one."""
        assert self._before is not None and self._station is not None
        answer, follower = read_between(self._station, best.picture, best.view, *self._before)
        if isinstance(answer, Reading):
            self._events.append("mark settled")
            self._mark_change, self._disturbed, self._told_s = best.change, False, None
            self._reading, self._follower = answer, follower
        elif not (self._hit_old(best) and self._say_on_top(best.picture)):
            self._events.append("no mark")
        self._restart(best.picture, best.view)

    def _hit_old(self, best: _Best) -> bool:
        """Whether a change that cannot be read as a mark was a pulse on an older mark: it flashed, was
        reported, or lies there.
        """
        if self._flashed or self._told_s is not None:
            return True
        older = self._older()
        return bool(older) and _lies_on(best.change.changed, older, best.view)

    def _give_up(self, picture: Pixels) -> None:
        assert self._view is not None
        self._events.append("no mark")
        self._restart(picture, self._view)

    def _restart(self, picture: Pixels, view: CardView) -> None:
        self._quiet = Quiet.of(picture, view)
        self._before = (picture, view)
        self._pulse_s, self._best, self._fresher = None, None, None
        self._steps.clear()

    def _renew(self, picture: Pixels) -> None:
        assert self._view is not None
        self._restart(picture.copy(), self._view)


def _with_newest(reading: Reading, mark: Mark, view: CardView) -> Reading:
    """The reading, with its newest mark measured again."""
    return Reading(reading.station, (mark, *reading.marks[1:]), view, reading.warnings)


def _lies_on(stepped: Mask, older: list[TrackedMark], view: CardView) -> bool:
    """Whether most of a step lies on older marks."""
    grid = Quiet.grid_of()
    u, v = grid.axes_mm()
    rows, cols = np.nonzero(stepped)
    on = [follower.spot.relative_radius(u[cols], v[rows]) for follower in older]
    sizes = [max(follower.mark.width_mm) / 2 / view.unit_mm for follower in older]
    reach = [share < 1 + _NEAR_OLD_MM / max(size, 0.3) for share, size in zip(on, sizes, strict=True)]
    return bool(np.mean(np.any(reach, axis=0)) > 0.6)
