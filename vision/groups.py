"""Old marks that touch each other, as the alike pulses of one beam."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.bare_tape import INSIDE_MM, Stack
from vision.candidates import Mask, find_candidates
from vision.card import Floats
from vision.compare import MOST_CANDIDATES, SEARCH_PITCH_MM, Comparison
from vision.fit import Spot
from vision.measure import TrackedMark
from vision.pulses import pulses_of
from vision.tone_curve import SAME
from vision.window import Grid, window_grid

_AS_WIDE = 0.9  # as long: one pulse of a round beam; two on each other were 0.85 and 0.88
_BESIDE_MM = 1.3
_FIRM = 3.0  # flatness of a profile: softer marks, and lamps' images, cannot be taken apart
_IN_REGION = 0.5  # of a mark's inner part: then it touches the marks of the region


@dataclass(frozen=True, eq=False)
class Group:
    """Old marks that touch each other, strongest first, the alike pulses that they consist of, and the mix of
    colours (3,) that shows them best. `marks` are those that a single picture shows as marks; it may be none.
    """

    marks: list[TrackedMark]
    pulses: list[Spot]
    colour: Floats

    @property
    def beam(self) -> Spot:
        """A pulse; the others are like it."""
        return self.pulses[0]

    def reach_mm(self) -> float:
        """How far the pulses lie from the first one at most."""
        return max(float(np.hypot(*(pulse.centre - self.beam.centre))) for pulse in self.pulses)


def by_card(pair: Comparison) -> Comparison:
    """Return the comparison without the displacement and tones that were fitted to the whole window.

    A crescent on an old mark, or a rim lit from another side, looks to that fit like a shift of up to 0.3 mm.
    """
    unknown = replace(pair.earlier, shift=np.zeros((2, 6)), doubt=np.eye(12))
    return replace(pair, tone=SAME, earlier=unknown)


def groups_of(pair: Comparison, older: list[TrackedMark]) -> list[Group]:
    """Return the old marks that touch each other together, where they are pulses of one beam.

    Marks that have run into each other may look like no mark at all. So where there is no mark, whatever
    differs from the tape in the picture before is taken apart; it counts if it consists of several pulses.
    """
    grid, plain = window_grid(SEARCH_PITCH_MM), by_card(pair)
    burnt = np.asarray(plain.earlier.on(grid) - plain.bare.expected(grid, None))
    groups: list[Group] = []
    for old in older:
        if not any(old in group.marks for group in groups):
            disc = old.spot.relative_radius(*np.meshgrid(*grid.axes_mm())) < 1
            groups.append(_group(burnt, old.colour, disc, older, grid))
    if not older:
        inside = grid.radius_mm() < INSIDE_MM
        for candidate in find_candidates(burnt, inside, grid).listed[:MOST_CANDIDATES]:
            groups.append(_group(burnt, candidate.colour, candidate.region, [], grid))
        groups = [group for group in groups if len(group.pulses) > 1]
    return [group for group in groups if group.pulses]


def _group(burnt: Stack, colour: Floats, disc: Mask, older: list[TrackedMark], grid: Grid) -> Group:
    """The marks that touch a disc: one round mark as it was fitted, others as the pulses that they consist
    of; without pulses if that cannot be told, because they are no pulses of one beam or too soft.
    """
    depth: Floats = np.asarray(cv2.GaussianBlur((burnt @ colour).astype(float), (0, 0), 1.0), dtype=float)
    region = _region(depth, disc)
    marks = [one for one in older if _share_in(one.spot, region, grid) > _IN_REGION]
    if len(marks) == 1 and _of_one_pulse(marks[0]):
        return Group(marks, [marks[0].spot], colour)
    if not region.any() or grid.radius_mm()[region].max() > INSIDE_MM - grid.pitch_mm:
        return Group(marks, [], colour)
    pulses = pulses_of(*_around(depth, region, grid))
    return Group(marks, pulses if pulses and pulses[0].flatness > _FIRM else [], colour)


def _region(depth: Floats, disc: Mask) -> Mask:
    """Where the marks in and around a disc have gone by half as far as they do in it."""
    burnt = depth > float(np.percentile(depth[disc], 90)) / 2 if disc.any() else disc
    _, labels = cv2.connectedComponents(burnt.astype(np.uint8))
    counts = np.bincount(np.asarray(labels)[disc & burnt], minlength=2)
    return np.asarray(burnt & (labels == int(np.argmax(counts))))


def _share_in(spot: Spot, region: Mask, grid: Grid) -> float:
    """Share of a mark's inner part that lies in a region."""
    inner = spot.relative_radius(*np.meshgrid(*grid.axes_mm())) < 0.5
    return float(region[inner].mean()) if inner.any() else 0.0


def _around(depth: Floats, region: Mask, grid: Grid) -> tuple[Floats, Mask, Floats, Grid]:
    """The part of the window around a region: how far it has gone, the region, what counts; and its grid."""
    wide = round(_BESIDE_MM / grid.pitch_mm)
    rows, cols = (np.flatnonzero(region.any(axis=axis)) for axis in (1, 0))
    half = max(np.ptp(rows), np.ptp(cols)) // 2 + wide
    row, col = (int(np.clip((at.min() + at.max()) // 2, half, grid.side - 1 - half)) for at in (rows, cols))
    part = np.s_[row - half : row + half + 1, col - half : col + half + 1]
    u, v = grid.axes_mm()
    near = np.asarray(cv2.dilate(region.astype(np.uint8), np.ones((2 * wide + 1, 2 * wide + 1))))
    weight = (near > 0) & (grid.radius_mm() < INSIDE_MM)
    crop = Grid((float(u[col]), float(v[row])), grid.pitch_mm, int(2 * half + 1))
    return depth[part], region[part], weight[part].astype(float), crop


def _of_one_pulse(old: TrackedMark) -> bool:
    """Whether an old mark looks like one pulse; marks that lie on each other are longer than wide."""
    whole = np.hypot(*old.spot.centre) + old.spot.radius() < INSIDE_MM
    return bool(
        whole and old.mark.shape == "round" and min(old.mark.width_mm) > _AS_WIDE * max(old.mark.width_mm)
    )
