"""Where a motor lens is set: at the clip's distance, then where the card is sharpest. This file decides and
moves nothing.

Positions are dioptres (1 / metre), as libcamera's LensPosition counts them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np

from firmware.camera.base import Pixels
from firmware.camera.picture_fault import has_structure, sharpness

__all__ = ["FocusKind", "FocusScan", "card_sharpness", "focus_kind", "free_focus", "set_focus"]

FocusKind = Literal["motor", "by hand"]

_MANUAL, _CONTINUOUS = 0, 2  # libcamera's AfMode
_FULL = 2  # libcamera's AfRange: a card is nearer than 'normal' reaches
_STEPS = 3  # to either side of what is expected
_REACHED = 0.05  # dioptres between what was asked for and what the camera reports
_LATE = 10  # frames after which a lens that does not report that it has arrived has arrived
_STILL = 1  # frames that pass while a lens that has arrived stops swinging
_MIDDLE = 0.5  # of the picture's width and height is judged: there the card is


def focus_kind(controls: Mapping[str, Any]) -> FocusKind:
    """Return who sets the focus of a camera with these libcamera controls."""
    return "motor" if "LensPosition" in controls else "by hand"


def set_focus(controls: Mapping[str, Any], dioptres: float) -> dict[str, Any]:
    """Return the controls that set a motor lens there, or as near as it reaches; {} without a motor."""
    if focus_kind(controls) != "motor":
        return {}
    return {"AfMode": _MANUAL, "LensPosition": _within(controls["LensPosition"], dioptres)}


def free_focus(controls: Mapping[str, Any]) -> dict[str, Any]:
    """Return the controls for autofocus over the camera's full range; {} where it has none."""
    wanted = {"AfMode": _CONTINUOUS, "AfRange": _FULL}
    return {key: value for key, value in wanted.items() if key in controls} if "AfMode" in controls else {}


def card_sharpness(pixels: Pixels) -> float:
    """Return how sharp the middle of a (rows, cols, 3) picture is; 0 where nothing is there."""
    rows, cols = pixels.shape[:2]
    up, left = (round(size * (1 - _MIDDLE) / 2) for size in (rows, cols))
    grey = np.asarray(cv2.cvtColor(pixels[up : rows - up, left : cols - left], cv2.COLOR_BGR2GRAY), np.uint8)
    return sharpness(grey) if has_structure(grey) else 0.0


@dataclass
class FocusScan:
    """A short search around the place where the card should be, fed with each frame.

    expected : dioptres of the clip's distance. limits : what the lens reaches.
    wanted : where the lens has to stand now. done : the search is over, and ``wanted`` is where it stays.
    found : whether a sharpest place lay inside the search; else ``wanted`` is what was expected.

    Seven coarse places, then two beside the best. Softness of the lens and defocus add as squares, so that
    1 / sharpness² is a parabola over the place; its lowest point is the answer. A place at the end of the
    search does not count: something other than the card is sharp there, or nothing.
    """

    expected: float
    limits: tuple[float, float] = (0.0, 32.0)
    wanted: float = field(init=False)
    done: bool = False
    found: bool = False
    _left: list[float] = field(init=False)
    _seen: dict[float, float] = field(init=False, default_factory=dict)
    _refined: bool = False
    _going_home: bool = False
    _frames: int = 0
    _since_there: int | None = None

    def __post_init__(self) -> None:
        low, high = self.limits
        self.expected = min(max(self.expected, low), high)
        steps = (self.expected + self.step * number for number in range(-_STEPS, _STEPS + 1))
        self._left = sorted({min(max(place, low), high) for place in steps})
        self.wanted = self._left.pop(0)

    @property
    def step(self) -> float:
        """Distance between coarse places: larger for a very near card, where a mm is more dioptres."""
        return 1.0 if self.expected <= 12.0 else 1.5

    def look(self, pixels: Pixels, reported: float | None) -> None:
        """Take one frame, with the position that the lens ``reported``; None if it reports none."""
        if self.done or not self._there(reported):
            return
        if self._going_home:
            self.done = True
            return
        sharp = card_sharpness(pixels)
        if sharp == 0.0:
            self._stay(
                self.expected, found=False
            )  # black, white or an even wall: there is nothing to look at
            return
        self._seen[self.wanted] = sharp
        if not self._left and not self._refine():
            self._finish()
            return
        self._go(self._left.pop(0))

    def _there(self, reported: float | None) -> bool:
        """Whether this frame shows the lens at rest where it is wanted."""
        self._frames += 1
        if self._since_there is not None:
            self._since_there += 1
            return self._since_there >= _STILL
        if self._frames >= _LATE or (reported is not None and abs(reported - self.wanted) < _REACHED):
            self._since_there = 0
        return False

    def _go(self, place: float) -> None:
        self.wanted, self._frames, self._since_there = place, 0, None

    def _refine(self) -> bool:
        """Ask for two places beside the best one, once; returns whether there are any."""
        best = self._best()
        if self._refined or best in (min(self._seen), max(self._seen)):
            return False
        self._refined = True
        self._left = [best - self.step / 2, best + self.step / 2]
        return True

    def _best(self) -> float:
        return max(self._seen, key=self._seen.__getitem__)

    def _finish(self) -> None:
        best, low, high = self._best(), min(self._seen), max(self._seen)
        inside = low < best < high
        # with a great depth of field places differ little, so only all of them together give the answer
        near = [place for place in self._seen if not inside or abs(place - best) < 1.6 * self.step]
        a, b, _ = np.polyfit([place - best for place in near], [self._seen[place] ** -2 for place in near], 2)
        lowest = best - float(b / (2 * a)) if a > 0 else best
        if inside:
            reach = self.step / 2
            self._stay(min(max(lowest, best - reach), best + reach), found=True)
        elif low < lowest < high:
            self._stay(lowest, found=True)
        else:
            self._stay(self.expected, found=False)

    def _stay(self, place: float, *, found: bool) -> None:
        self._go(place)
        self.found, self._going_home, self._left = found, True, []


def _within(limits: tuple[Any, ...], dioptres: float) -> float:
    low, high = float(limits[0]), float(limits[1])
    return min(max(dioptres, low), high)
