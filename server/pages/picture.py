"""The live picture for the pages: made small, and sent only when it shows something new."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from server.sources.base import Pixels, Source, as_jpeg

__all__ = ["LivePicture", "differs"]

QUALITY = 60
# Cells whose mean grey is compared; 20 px wide in a picture of 1280, so that a mark of 2 mm fills one
GRID = (64, 36)
LEAST_GREY = 3.0  # in a still picture the mean of a cell varies by well under one grey level
WIDTHS = range(160, 1921)

Cells = NDArray[np.float32]


def cells(pixels: Pixels) -> Cells:
    """Return the mean grey of each cell of a picture (rows, cols, 3), as (36, 64) float32."""
    small = cv2.resize(pixels, GRID, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.float32)


def differs(before: Cells, now: Cells) -> bool:
    """Whether anything in the picture has changed by more than a still picture varies."""
    return bool(np.abs(now - before).max() > LEAST_GREY)


class LivePicture:
    """The bench's picture, for any number of pages at once.

    source : gives the frames; a new one is taken when the last is older than its ``frame_age_s``. version :
    of the session; a new frame is taken when it has changed.
    """

    def __init__(
        self, source: Source, version: Callable[[], int], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._source, self._version, self._clock = source, version, clock
        self._lock = threading.Lock()
        self._number, self._at, self._taken_s = 0, -1, float("-inf")
        self._pixels: Pixels | None = None
        self._cells: Cells | None = None
        self._made: dict[int, bytes] = {}

    def newest(self, width: int, known: Callable[[int], bool]) -> tuple[int, bytes]:
        """Return the newest picture's number and its JPEG, at most ``width`` pixels wide; raises NoPicture.

        known : whether the page already has the picture of that number; the bytes are then empty.
        """
        with self._lock:
            version, now_s = self._version(), self._clock()
            if self._at != version or now_s - self._taken_s > self._source.frame_age_s:
                self._take(self._source.frame())
                self._at, self._taken_s = version, self._clock()
            return self._number, b"" if known(self._number) else self._jpeg(width)

    def _jpeg(self, width: int) -> bytes:
        assert self._pixels is not None
        if width not in self._made:
            self._made[width] = as_jpeg(_narrowed(self._pixels, width), quality=QUALITY)
        return self._made[width]

    def _take(self, pixels: Pixels) -> None:
        now = cells(pixels)
        if self._cells is None or differs(self._cells, now):
            self._number, self._pixels, self._cells, self._made = self._number + 1, pixels, now, {}


def _narrowed(pixels: Pixels, width: int) -> Pixels:
    rows, cols = pixels.shape[:2]
    if cols <= width:
        return pixels
    return np.asarray(
        cv2.resize(pixels, (width, round(rows * width / cols)), interpolation=cv2.INTER_AREA), np.uint8
    )
