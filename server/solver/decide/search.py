"""The beam cannot be found: which way to turn, given all pulses that left no mark.

A blank says 'not on this card, or stopped on the way', which no Gaussian can express. So many machines are
drawn as they may have been at the last mark, every move since is applied to them, and those that would have
left a mark are dropped (a particle filter without resampling: Doucet, de Freitas & Gordon, Sequential Monte
Carlo, 2001, ch. 1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View, blank_places, kind
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate.belief import believe
from server.solver.events import Event, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.trace import Rays, contact_points

Array = NDArray[Any]

# Machines that agree with all blanks, as they are at the next pulse, and their rays.
Here = tuple[o.Samples, Rays]


def search(view: View, stage: int, places: list[Place], here: Here | None = None) -> Choice:
    """The move after which a mark is most probable; if no move helps, a mark at the most probable place."""
    samples, rays = here or remaining(view, places[0].station)
    empty = blank_places(view)
    now = chances(view, rays, places)
    now = now * np.array([(place.station, place.position) not in empty for place in places])
    found = Choice("mark", place=places[int(np.argmax(now))], stage=stage, why="search")
    blank = bool(view.alignment.events) and isinstance(view.alignment.events[-1], NoMark)
    least = float(now.max()) + (POLICY.search_gain_blank if blank else POLICY.search_gain)
    best: tuple[Event, Place] | None = None
    for event in _tries(view, stage):
        chance = chances(view, _after(view, (samples, rays), event), places)
        if chance.max() > least:
            best, least = (event, places[int(np.argmax(chance))]), float(chance.max())
    if best is None and not now.any():
        best = _nearer(view, stage, places[0], (samples, rays))
    if best is None:
        return found
    event, place = best
    return Choice(kind(event), place=place, event=event, stage=stage, why="search")


def _after(view: View, here: Here, event: Event) -> Rays:
    """The rays of the machines after a move."""
    samples, rays = here
    moved = mv.apply(view.profile, view.mixture, samples, event)
    return o.pushed(rays, view.jacobian, moved.x - samples.x)


def _nearer(view: View, stage: int, place: Place, here: Here) -> tuple[Event, Place] | None:
    """For a beam too far off for one move: the move that brings it nearest to a place; None if none helps."""
    off = [(_off(view, _after(view, here, event), place), event) for event in _tries(view, stage)]
    nearest = min(off, key=lambda one: one[0], default=None)
    return (nearest[1], place) if nearest and nearest[0] < _off(view, here[1], place) else None


def _off(view: View, rays: Rays, place: Place) -> float:
    """How far off a card's centre the beam is, mm: the median over machines."""
    marks = m.spot(view.profile, rays, place.station)[:, place.position]
    return float(np.median(np.hypot(marks[:, 0], marks[:, 1])))


def remaining(view: View, station: int) -> Here:
    """Machines that agree with all blanks, as they are at the next pulse, and their rays."""
    samples = survivors(view, station)
    samples = samples.moved(_shaken(view, samples, len(view.alignment.events)))
    return samples, o.everywhere(view.profile, samples.x)


def chances(view: View, rays: Rays, places: list[Place]) -> Array:
    """(P,) share of the machines that leave a mark at each place, all of one station."""
    hits = o.hits(view.profile, rays, places[0].station).mean(0)
    return np.asarray(hits[[place.position for place in places]])


def survivors(view: View, station: int) -> o.Samples:
    """Machines that agree with all events since the last mark, apart from blanks that may be bad pulses."""
    events = view.alignment.events
    start = max((i + 1 for i, e in enumerate(events) if isinstance(e, MarkSeen)), default=0)
    tail = events[start:]
    if not any(isinstance(e, NoMark) for e in tail):
        return view.samples
    mixture = b.expecting(view.profile, believe(replace(view.alignment, events=events[:start])), station)
    mixtures = [mixture, b.doubted(view.profile, mixture, station)] if station else [mixture]
    best = view.samples.only(np.arange(0))
    for believed in mixtures:
        left = best.only(np.arange(0))
        for turn, count in enumerate(POLICY.draws):
            samples, _ = _followed(view, believed, o.draw(believed, count, turn=turn), tail, most=0)
            left = left.joined(samples)
            if len(left.x) >= POLICY.agreeing:
                return left.only(np.arange(min(len(left.x), POLICY.agreeing_most)))
        best = max(best, left, key=lambda some: len(some.x))
    return best.joined(_but_for_bad_pulses(view, mixtures[-1], tail, len(best.x)))


def _but_for_bad_pulses(view: View, mixture: b.Mixture, tail: tuple[Event, ...], agree: int) -> o.Samples:
    """Machines that some blanks contradict, because those blanks may have been bad pulses.

    Their number follows from how often pulses fail; where hardly any machines agree, more are taken.
    """
    drawn = o.draw(mixture, POLICY.draws[1])
    samples, blanks = _followed(view, mixture, drawn, tail, most=len(tail))
    odds = b.SLIPS[samples.errs] ** blanks * (blanks > 0)
    likely = odds.sum() * sum(POLICY.draws) / POLICY.draws[1]
    count = POLICY.agreeing if agree < POLICY.agreeing_least else min(round(likely), POLICY.agreeing)
    if not count or not odds.any():
        return samples.only(np.flatnonzero(blanks == 0))
    return samples.only(np.random.default_rng(len(tail)).choice(len(odds), count, p=odds / odds.sum()))


def _followed(
    view: View, mixture: b.Mixture, samples: o.Samples, tail: tuple[Event, ...], *, most: int
) -> tuple[o.Samples, Array]:
    """The machines after all events, and (M,) how many blanks contradict each: at most ``most``."""
    profile, blanks = view.profile, np.zeros(len(samples.x), dtype=int)
    for i, event in enumerate(tail):
        if isinstance(event, NoMark):
            blanks = blanks + _reached(view, _shaken(view, samples, i), event)
            rows = np.flatnonzero(blanks <= most)
            samples, blanks = samples.only(rows), blanks[rows]
        elif isinstance(event, Turn | Shift):
            order = np.random.default_rng(i).permutation(len(samples.x))
            samples = mv.apply(profile, mixture, replace(samples, noise=samples.noise[order]), event)
            if isinstance(event, Turn):
                k = 3 * (event.mount - 1) + profile.contact_index(event.mount, event.screw)
                mixture = b.turned(mixture, k, event.turns)
    return samples, blanks


def _shaken(view: View, samples: o.Samples, pulse: int) -> Array:
    """(M, SIZE) the machines as they are at one pulse: a loose mirror lies a little differently at each."""
    x, rng = samples.x.copy(), np.random.default_rng([30, pulse])
    for mount in (1, 2, 3):
        loose = np.flatnonzero(samples.fault == b.LOOSE + mount - 1)
        at = contact_points(view.profile, mount)
        tilt = rng.normal(0.0, b.loose_sd(view.profile, mount), (len(loose), 2))
        x[loose[:, None], np.arange(m.SIZE)[m.contact_at(mount)]] += tilt @ at.T
    return x


def _reached(view: View, x: Array, event: NoMark) -> Array:
    rays = m.rays(view.profile, x, np.array(event.head_mm))
    here = Rays(rays.offset_mm[:, None], rays.lens_mm[:, None], rays.slope[:, None])
    return o.hits(view.profile, here, m.station_index(event.station))[:, 0]


def _tries(view: View, stage: int) -> list[Event]:
    if stage == 0:
        ways = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))
        return [Shift("tube", (0.0, size * y, size * z)) for y, z in ways for size in (8.0, 16.0)]
    mount = view.profile.mount[min(stage, 3) - 1]
    sizes = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
    found: list[Event] = []
    for k, contact in enumerate(mount.contact):
        if contact.screw_pitch_mm is not None:
            undone = -_last_way(view, mount.mirror, contact.name)
            turns = [way * size for size in sizes for way in (-1, 1) if way != undone]
            back, on = mv.room(view.profile, view.mixture, mount.mirror, k)
            found += [Turn(mount.mirror, contact.name, t) for t in turns if back <= t <= on]
    return found


def _last_way(view: View, mirror: int, screw: str) -> float:
    """Which way (-1 or 1) a screw was last turned since the newest pulse; 0 if it was not. Turning it back
    without a pulse in between would make that turn useless."""
    for event in reversed(view.alignment.events):
        if isinstance(event, MarkSeen | NoMark):
            break
        if isinstance(event, Turn) and (event.mount, event.screw) == (mirror, screw):
            return float(np.sign(event.turns))
    return 0.0
