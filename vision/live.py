"""A stream of frames: the card is tracked, a pulse is seen, its mark read once it has settled.

Nothing here reads a clock: every frame comes with its time. A frame is compared with a quiet one from
before, laid flat in the card's frame, so that a knocked camera, a flickering lamp or a new exposure is no
change of the tape.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from vision.calibrate import CameraModel
from vision.core import read_between
from vision.errors import BarRefused
from vision.find import find_card, to_grey, track
from vision.measure import Follower, follow
from vision.picture import Pixels
from vision.pulse import Change, Quiet, change_from, like
from vision.reading import CardView, Mark, NoReading, Reading

Event = Literal[
    "card found", "card lost", "card moved", "pulse seen", "mark settled", "no mark", "hand in view"
]

_SETTLED_S = 0.35  # the change must keep its pattern this long
_PATIENCE_S = 20.0  # smoke that never clears
_KNOCK_MM = 0.6
_CALM_FRAMES = 3
_SAME_PATTERN, _UNDONE = 0.97, -0.7
_STAYS_S = 2.0  # a hand does not keep that still
_REFRESH_S = 1.0


@dataclass(frozen=True, eq=False)
class Moment:
    """What one frame told: events in order, the reading while there is a mark, the card's view, one line or
    none.
    """

    time_s: float
    events: tuple[Event, ...]
    station: str | None
    card: CardView | None
    reading: Reading | None
    reason: str | None = None


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

    One stream watches one camera. `feed` never raises on a picture; whatever cannot be read is said in the
    `Moment`.
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
    _follower: Follower | None = None
    _reading: Reading | None = None
    _events: list[Event] = field(default_factory=list)

    def feed(self, picture: Pixels, time_s: float) -> Moment:
        """Take one BGR frame, (rows, cols, 3) uint8, seen at a time in seconds; return what it told."""
        self._events = []
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
        return self._moment(time_s, None)

    def fresh_card(self) -> None:
        """Forget the tape that was there: a new card or new tape hangs now."""
        self._quiet = self._before = self._best = self._follower = self._reading = self._pulse_s = None
        self._wide = self._mark_change = None
        self._calm = 0

    def _moment(self, time_s: float, reason: str | None) -> Moment:
        return Moment(time_s, tuple(self._events), self._station, self._view, self._reading, reason)

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
        """Say it when the card's place in the picture jumped by more than a trembling."""
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
        """No pulse is under way: tell one from a hand and from fading; keep the offset of a mark alive."""
        if change.covers_much:
            self._wait_for_light(picture, change, time_s)
            return
        self._wide = None
        if change.is_local and self._fades(change):
            self._follower = None
            if self._disturbed:
                self._reading = None  # not faded: somebody changed the tape
            self._renew(picture)
        elif change.is_local:
            self._pulse_s, self._best = time_s, None
            self._events.append("pulse seen")
            self._await(picture, change, time_s)
        else:
            self._idle(picture, change, time_s)

    def _wait_for_light(self, picture: Pixels, change: Change, time_s: float) -> None:
        """A hand goes away again; new tape or a new lamp stays, and becomes the quiet frame."""
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
        """Nothing happens: drift along with the daylight, and see the mark again."""
        assert self._quiet is not None and self._view is not None
        self._quiet.drift(change)
        if time_s - self._before_s > _REFRESH_S:
            self._before, self._before_s = (picture.copy(), self._view), time_s
        mark = self._seen_again(picture)
        if mark is not None and self._reading is not None:
            self._reading = _with_newest(self._reading, mark, self._view)

    def _seen_again(self, picture: Pixels) -> Mark | None:
        if self._follower is None or self._view is None:
            return None
        return follow(self._follower, picture, self._view)

    def _fades(self, change: Change) -> bool:
        """Whether a change undoes the last mark's."""
        return self._mark_change is not None and like(self._mark_change, change) < _UNDONE

    def _await(self, picture: Pixels, change: Change, time_s: float) -> None:
        """A pulse was seen: wait until the change keeps its pattern, then read the frame of greatest
        contrast.
        """
        assert self._view is not None and self._pulse_s is not None
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
            self._mark_change, self._disturbed = best.change, False
            self._reading, self._follower = answer, follower
        else:
            self._events.append("no mark")
        self._restart(best.picture, best.view)

    def _give_up(self, picture: Pixels) -> None:
        assert self._view is not None
        self._events.append("no mark")
        self._restart(picture, self._view)

    def _restart(self, picture: Pixels, view: CardView) -> None:
        self._quiet = Quiet.of(picture, view)
        self._before = (picture, view)
        self._pulse_s, self._best = None, None

    def _renew(self, picture: Pixels) -> None:
        assert self._view is not None
        self._restart(picture.copy(), self._view)


def _with_newest(reading: Reading, mark: Mark, view: CardView) -> Reading:
    """The reading with its newest mark seen again."""
    return Reading(reading.station, (mark, *reading.marks[1:]), view, reading.warnings)
