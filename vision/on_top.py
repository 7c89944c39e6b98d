"""The place of a pulse that changed nothing visible: on an older mark, with a sigma for how far beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.reading import Mark

_SAME_BEAM = 0.1  # of the radius: how much pulses of one tube differ; a larger mark hides a smaller
_BLUR_MM = 0.6  # of the comparison in time, pixels and smoothing together
_LEAST_NOTICED = 1.5  # levels of a step in time that is always noticed
BETWEEN_PICTURES = 5.0  # of a change between two pictures
ONE_PLACE_MM = 1.0


def on_top(marks: tuple[Mark, ...], contrast: float, least_noticed: float = _LEAST_NOTICED) -> Mark | None:
    """Return the newest mark as the place of an unseen pulse, with its sigma widened accordingly; None if
    there is no older mark, or if old marks lie in several places and nothing shows which one was hit.

    A pulse that lands δ beside an equal mark leaves a crescent that is δ wide; through a blur of s it is
    contrast · δ / (s √(2π)) high. A crescent lower than `least_noticed` (levels) is not seen.
    """
    if not marks:
        return None
    newest = marks[0]
    apart = [np.hypot(*np.subtract(m.offset_mm, newest.offset_mm)) for m in marks]
    if max(apart) > ONE_PLACE_MM:
        return None
    unseen = least_noticed * _BLUR_MM * np.sqrt(2 * np.pi) / max(contrast, 1.0)
    radius = float(np.sqrt(newest.width_mm[0] * newest.width_mm[1])) / 2
    sigma = np.sqrt(np.square(newest.sigma_mm) + unseen**2 + (_SAME_BEAM * radius) ** 2)
    return replace(
        newest, sigma_mm=(float(sigma[0]), float(sigma[1])), shape="round", flat_side_deg=None, new=True
    )
