"""What one step is planned from: the belief, machines drawn from it, their marks over the bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate.belief import believe
from server.solver.events import Alignment, Difference, Event, Inspected, MarkSeen, NoMark, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import STATIONS, Point, Profile
from server.solver.machine.trace import Rays

Array = NDArray[Any]


@dataclass(frozen=True)
class Place:
    """Where a mark can be made: station index, and index of the head position in the grid.

    anew : whether a card that already hangs there is taken off and hung again first.
    """

    station: int
    position: int
    anew: bool = False


@dataclass(frozen=True)
class View:
    """What one step is planned from. M machines are drawn; a grid over the bed has 12 head positions."""

    alignment: Alignment
    mixture: b.Mixture
    samples: o.Samples
    rays: Rays
    numbers: Array  # (M, 7) in units of the tolerances
    best: Rays  # of one machine, (1, 12, …): the best hypothesis
    jacobian: Rays  # derivatives at the best hypothesis

    @property
    def profile(self) -> Profile:
        """The laser."""
        return self.alignment.machine

    @property
    def here(self) -> int:
        """Index of the station where a card hangs now; −1 where none does."""
        return m.station_index(self.mixture.hung[0]) if self.mixture.hung else -1

    @property
    def loose(self) -> Array:
        """(M,) whether a mount of the machine is loose: its marks will scatter whatever is turned."""
        return np.asarray(self.samples.fault >= b.LOOSE)


@dataclass(frozen=True)
class Choice:
    """What to do next, before it is put in words."""

    do: str
    place: Place | None = None
    event: Event | None = None
    cause: str = ""
    reason: str = ""
    stage: int = 4
    why: str = ""


def look(alignment: Alignment) -> View:
    """The belief after all events and what it means for the bed."""
    mixture = believe(alignment)
    samples = o.draw(mixture, turn=len(alignment.events))
    rays = o.everywhere(alignment.machine, samples.x)
    numbers = o.ratios(alignment.machine, rays)
    best, jacobian = o.everywhere_bent(alignment.machine, mixture.mean[mixture.best])
    return View(alignment, mixture, samples, rays, numbers, best, jacobian)


def closer(view: View) -> View:
    """The view with many more machines, all newly drawn, to compute a probability more precisely."""
    samples = o.draw(view.mixture, POLICY.machines_done, turn=len(view.alignment.events) + 1)
    rays = o.everywhere(view.profile, samples.x)
    return replace(view, samples=samples, rays=rays, numbers=o.ratios(view.profile, rays))


def apart(view: View) -> tuple[View, View]:
    """The view with some of its machines, and the view with the others; pairs of opposites stay together."""
    pair = np.arange(len(view.samples.x)) % (len(view.samples.x) // 2)
    first = pair < POLICY.machines_move // 2
    some, others = (_only(view, np.flatnonzero(rows)) for rows in (first, ~first))
    return some, others


def _only(view: View, rows: Array) -> View:
    rays, numbers = view.rays.only(rows), view.numbers[rows]
    return replace(view, samples=view.samples.only(rows), rays=rays, numbers=numbers)


def probability(view: View, stage: int, factor: float = 1.0) -> float:
    """Probability that all numbers up to a stage are within ``factor`` × tolerance."""
    good = (view.numbers[:, : o.STAGE_KEYS[stage]] <= factor).all(1)
    if stage >= 2:
        good &= ~view.loose
    return float(good.mean())


def after_moves(view: View, events: Sequence[Event]) -> View:
    """The view as it will be after some moves.

    Only those machines are kept in which the turned screws work in the most likely way.
    """
    samples, rows = view.samples, np.arange(len(view.samples.x))
    for event in events:
        samples = mv.apply(view.profile, view.mixture, samples, event)
        if isinstance(event, Turn):
            k = 3 * (event.mount - 1) + view.profile.contact_index(event.mount, event.screw)
            kept = samples.sign[:, k] == _likely_code(view, samples, event.mount, k)
            if not kept.all():
                samples, rows = samples.only(np.flatnonzero(kept)), rows[kept]
    rays = view.rays.only(rows) if len(rows) < len(view.samples.x) else view.rays
    rays = o.pushed(rays, view.jacobian, samples.x - view.samples.x[rows])
    return replace(view, samples=samples, rays=rays, numbers=o.ratios(view.profile, rays))


def _likely_code(view: View, samples: o.Samples, mount: int, k: int) -> int:
    """How a screw is assumed to work: as in the best hypothesis, for which the moves are computed, if enough
    samples agree; else as in most samples."""
    best = mv.code_of(view.profile, view.mixture.sign[view.mixture.best], mount, k % 3)
    if (samples.sign[:, k] == best).sum() >= POLICY.sign_least:
        return best
    codes, counts = np.unique(samples.sign[:, k], return_counts=True)
    return int(codes[np.argmax(counts)])


def seen_stations(view: View) -> set[str]:
    """Stations with a valid mark: a repair voids those behind the first mirror that it may have moved."""
    found: set[str] = set()
    repairs = iter(view.mixture.repairs)
    for event in view.alignment.events:
        if isinstance(event, MarkSeen):
            found.add(event.station)
        elif isinstance(event, Inspected) and event.outcome == "fixed":
            found &= set(STATIONS[: next(repairs)])
    return found


def kind(event: Event) -> str:
    """What a move is called in a step."""
    return "turn" if isinstance(event, Turn) else "shift"


def nearest(profile: Profile, head: Point) -> int:
    """Index of the grid position nearest to a head position."""
    return int(np.argmin([np.hypot(x - head[0], y - head[1]) for x, y in o.grid(profile)]))


def last_position(view: View) -> int:
    """Grid position at which the last pulse was made."""
    heads = [e.head_mm for e in view.alignment.events if isinstance(e, MarkSeen | NoMark)]
    return nearest(view.profile, heads[-1]) if heads else 0


def missed(view: View) -> bool:
    """Whether the newest pulse left no mark."""
    pulses = [event for event in view.alignment.events if isinstance(event, MarkSeen | NoMark)]
    return bool(pulses) and isinstance(pulses[-1], NoMark)


def next_sigma(view: View) -> float:
    """The sigma (mm) expected of the next reading: the median of the last three; 0.1 before the first."""
    seen = [max(e.sigma_mm) for e in view.alignment.events if isinstance(e, MarkSeen)]
    return float(np.median(seen[-3:])) if seen else 0.1


def pulse_sd(view: View) -> float:
    """Standard deviation of a mark at mirror 3 from pulse to pulse on one tape, mm per axis: the reading's
    sigma and the scatter learnt for tape and beam."""
    return float(np.sqrt(_variance(view, Place(2, 2), hung=True)))


def hang_sd(view: View, station: int) -> float:
    """Standard deviation of how cards hang at a station, mm per axis, over all hypotheses."""
    weight = view.mixture.weight
    return float(np.sqrt(weight @ view.mixture.hang_var(station) / weight.sum()))


def mark_variance(view: View, place: Place) -> float:
    """Error variance of a mark at a place, mm² per axis: of its reading, of the pulse, and of how the card
    hangs if it has to be hung for this mark."""
    return _variance(view, place, hung=stays(view, place))


def marks_at(view: View, place: Place) -> Array:
    """(M, 2) where each machine makes a mark at a place; if the card already hangs there, in its frame."""
    found = m.spot(view.profile, view.rays, place.station)[:, place.position]
    return m.on_card(found, view.samples.x) if stays(view, place) else found


def stays(view: View, place: Place) -> bool:
    """Whether a mark at a place is made on the card as it hangs now."""
    return place.station == view.here and not place.anew


def _variance(view: View, place: Place, *, hung: bool) -> float:
    """Error variance of a mark, mm² per axis: the weighted harmonic mean over the hypotheses' noise, since
    it is information (1 / variance) that adds up."""
    gap = view.profile.tube.far_mount_mm - view.profile.tube.exit_mount_mm
    swung = gap * m.spot(view.profile, view.jacobian, place.station)[2:4, place.position]
    pulse = b.PULSE_VAR + b.MODEL_SD**2 + b.JITTER_SD**2 * (swung**2).sum() / 2 + next_sigma(view) ** 2
    hang = 0.0 if hung else view.mixture.hang_var(place.station)
    each = view.mixture.pulse_scale * pulse[view.mixture.noise] + hang
    return float(view.mixture.weight.sum() / (view.mixture.weight / each).sum())


def blank_places(view: View) -> set[tuple[int, int]]:
    """(station, position) of the blanks since anything was last moved or inspected: nothing has changed
    there, so they are not pulsed again."""
    found: set[tuple[int, int]] = set()
    for event in reversed(view.alignment.events):
        if not isinstance(event, MarkSeen | NoMark | Difference):
            break
        if isinstance(event, NoMark):
            found.add((m.station_index(event.station), nearest(view.profile, event.head_mm)))
    return found


def numbered(view: View) -> bool:
    """Whether the events number the hangings of cards: only then may the step be to hang a card again."""
    return any(e.hanging is not None for e in view.alignment.events if isinstance(e, MarkSeen | NoMark))
