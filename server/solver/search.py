"""The beam is nowhere to be seen: which way to turn, from all that was missed so far.

A blank says 'not on this card, or stopped on the way': no Gaussian holds that. So the machines as they may
have been
at the last mark are drawn in numbers, taken through every move since, and those that would have left a mark
are
struck out (a particle filter without resampling: Doucet, de Freitas & Gordon, Sequential Monte Carlo, 2001,
ch. 1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import bank as b
from . import model as m
from . import moves as mv
from . import outlook as o
from .belief import believe
from .events import Event, MarkSeen, NoMark, Shift, Turn
from .profile import STATIONS
from .trace import Rays
from .view import Choice, Place, View, kind

Array = NDArray[Any]

DRAWS, ENOUGH, MOST, FEW = (1024, 4096), 100, 256, 8
MOVE_GAIN = 0.08  # how much more probable a mark must become for a move to be worth it
BACKWARDS_TOO = 0.02


def search(view: View, stage: int, places: list[Place]) -> Choice:
    """The move after which a mark is most probable, or the most probable place for a mark where none adds
    to that."""
    samples = survivors(view, places[0].station)
    rays = o.everywhere(view.profile, samples.x)
    chance = [_chance(view, rays, place) for place in places]
    best = int(np.argmax(chance))
    found = Choice("mark", place=places[best], stage=stage, why="search")
    blank = bool(view.alignment.events) and isinstance(view.alignment.events[-1], NoMark)
    least = chance[best] + (BACKWARDS_TOO if blank else MOVE_GAIN)
    for event in _tries(view, stage):
        moved = mv.apply(view.profile, view.bank, samples, event)
        after = o.pushed(rays, view.jacobian, moved.x - samples.x)
        for place in places:
            hit = _chance(view, after, place)
            if hit > least:
                least = hit
                found = Choice(kind(event), place=place, event=event, stage=stage, why="search")
    return found


def _chance(view: View, rays: Rays, place: Place) -> float:
    return float(o.hits(view.profile, rays, place.station)[:, place.position].mean())


def survivors(view: View, station: int) -> o.Samples:
    """Machines that agree with everything since the last mark, blanks included; at least a few."""
    events = view.alignment.events
    start = max((i + 1 for i, e in enumerate(events) if isinstance(e, MarkSeen)), default=0)
    tail = events[start:]
    if not any(isinstance(e, NoMark) for e in tail):
        return view.samples
    bank = b.expecting(view.profile, believe(replace(view.alignment, events=events[:start])), station)
    banks = [bank, b.doubted(view.profile, bank, station)] if station else [bank]
    best = view.samples.only(np.arange(0))
    for believed in banks:
        for count in DRAWS:
            left = _struck_out(view, believed, o.draw(believed, count), tail)
            best = max(best, left, key=lambda some: len(some.x))
            if len(best.x) >= ENOUGH:
                return best.only(np.arange(min(len(best.x), MOST)))
    return best if len(best.x) >= FEW else view.samples


def _struck_out(view: View, bank: b.Bank, samples: o.Samples, tail: tuple[Event, ...]) -> o.Samples:
    profile = view.profile
    for i, event in enumerate(tail):
        if isinstance(event, NoMark):
            reached = _reached(view, samples.x, event)
            samples = samples.only(np.flatnonzero(~reached))
        elif isinstance(event, Turn | Shift):
            order = np.random.default_rng(i).permutation(len(samples.x))
            samples = mv.apply(profile, bank, replace(samples, noise=samples.noise[order]), event)
            if isinstance(event, Turn):
                k = 3 * (event.mount - 1) + profile.contact_index(event.mount, event.screw)
                bank = b.turned(bank, k, event.turns)
    return samples


def _reached(view: View, x: Array, event: NoMark) -> Array:
    rays = m.rays(view.profile, x, np.array(event.head_mm))
    here = Rays(rays.offset_mm[:, None], rays.lens_mm[:, None], rays.slope[:, None])
    return o.hits(view.profile, here, STATIONS.index(event.station))[:, 0]


def _tries(view: View, stage: int) -> list[Event]:
    if stage == 0:
        ways = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))
        return [Shift("tube", (0.0, size * y, size * z)) for y, z in ways for size in (8.0, 16.0)]
    mount = min(stage, 3)
    screws = [c.name for c in view.profile.mount[mount - 1].contact if c.screw_pitch_mm is not None]
    sizes = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
    return [Turn(mount, name, way * size) for name in screws for size in sizes for way in (-1, 1)]
