"""Join marks that one pulse made side by side, such as a `double` mark from a reflection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.reading import Mark

_LARGEST_GAP = 0.6  # between the edges, as a share of the larger width
# least ratio of sizes, and of distances from the centre; largest gap between edges, as a share of the size
_LOBES_ALIKE, _LOBE_GAP = 0.75, 0.6
_SKEW = 0.2  # largest cosine of the angle at a corner of the square that four lobes form
_LEAST_SIZE = 0.35  # a lobe's width as a share of the other's: a smaller one is a spark's


def join_lobes(marks: list[Mark]) -> list[Mark]:
    """Return new marks, with the strongest four or two joined if they are the lobes of one beam."""
    if (square := _square(marks)) is not None:
        return square
    if len(marks) < 2 or not _are_lobes(marks[0], marks[1]):
        return marks
    return [_joined(marks[:2]), *marks[2:]]


def join_pattern(marks: list[Mark]) -> list[Mark]:
    """Return marks with the lobes of one beam joined: two are a `double` mark, four a `round` one.

    Lobes are of equal size, lie in a ring about one centre, and nearly touch. Of four, three are enough.
    """
    if (square := _square(marks)) is not None:
        return square
    if len(marks) >= 2 and _is_pattern(marks[:2]):
        return [_joined(marks[:2]), *marks[2:]]
    return marks


def _square(marks: list[Mark]) -> list[Mark] | None:
    """Marks with the first four, or three of such four, joined; None if those are no lobes of one beam."""
    if len(marks) >= 4 and _is_pattern(marks[:4]):
        return [_joined(marks[:4]), *marks[4:]]
    if len(marks) >= 3 and (square := _completed(marks[:3])) is not None:
        return [_joined(square), *marks[3:]]
    return None


def _is_pattern(ring: list[Mark]) -> bool:
    centres, sizes = np.array([m.offset_mm for m in ring]), np.array([_size(m) for m in ring])
    away = np.hypot(*(centres - centres.mean(axis=0)).T)
    apart = [np.sort(np.hypot(*(centres - c).T))[1] for c in centres]
    alike = sizes.min() > _LOBES_ALIKE * sizes.max() and away.min() > _LOBES_ALIKE * away.max()
    return bool(alike and max(apart) - sizes.mean() < _LOBE_GAP * sizes.mean())


def _completed(ring: list[Mark]) -> list[Mark] | None:
    """Three marks at the corners of a square, and the fourth where it must be; None if they are not.

    A faint lobe that runs into a smudge is no mark by itself, and the place of the beam would be a lobe's.
    """
    for i, corner in enumerate(ring):
        one, other = (mark for j, mark in enumerate(ring) if j != i)
        at = np.add(one.offset_mm, other.offset_mm) - corner.offset_mm
        square = [*ring, replace(corner, offset_mm=(float(at[0]), float(at[1])))]
        legs = [np.subtract(mark.offset_mm, corner.offset_mm) for mark in (one, other)]
        long = np.hypot(*np.transpose(legs))
        even = long.min() > _LOBES_ALIKE * long.max() and abs(legs[0] @ legs[1]) < _SKEW * long[0] * long[1]
        if even and _is_pattern(square):
            return square
    return None


def _joined(ring: list[Mark]) -> Mark:
    """Centroid and second moments of lobes together; the places of two are kept.

    Lobes weigh as their areas do. A circle's edge tells its radius √2 times as well as each coordinate of its
    centre; what that does to the weights counts, too.
    """
    centres = np.array([m.offset_mm for m in ring])
    areas = np.array([_size(m) ** 2 for m in ring])
    share = areas / areas.sum()
    away = centres - share @ centres
    own = sum(part * (_size(m) / 4) ** 2 for part, m in zip(share, ring, strict=True)) * np.eye(2)
    width = 4 * np.sqrt(np.linalg.eigvalsh(own + (share * away.T) @ away)[::-1])
    sigmas = np.array([m.sigma_mm for m in ring])
    area_errors = 2 * np.linalg.norm(sigmas, axis=1, keepdims=True) / np.sqrt(areas)[:, None]  # relative
    sigma = np.sqrt(share**2 @ (sigmas**2 + (area_errors * away) ** 2))
    lobes = (ring[0].offset_mm, ring[1].offset_mm) if len(ring) == 2 else None
    centre = share @ centres
    return Mark(
        (float(centre[0]), float(centre[1])),
        (float(sigma[0]), float(sigma[1])),
        (float(width[0]), float(width[1])),
        "double" if len(ring) == 2 else "round",
        None,
        ring[0].new,
        lobes,
    )


def _are_lobes(one: Mark, other: Mark) -> bool:
    plain = {one.shape, other.shape} <= {"round", "stretched"}
    sizes = sorted((_size(one), _size(other)))
    gap = float(np.hypot(*np.subtract(one.offset_mm, other.offset_mm))) - sum(sizes) / 2
    return plain and sizes[0] > _LEAST_SIZE * sizes[1] and gap < _LARGEST_GAP * sizes[1]


def _size(mark: Mark) -> float:
    return float(np.sqrt(mark.width_mm[0] * mark.width_mm[1]))
