"""A USB camera or microscope, Video4Linux through OpenCV; a thread keeps only the newest frame."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

from firmware.camera import Frame
from firmware.errors import CameraMissing
from firmware.pumped import PumpedCamera

__all__ = ["UsbCamera"]

_MISSES = 5  # failed reads in a row before the camera counts as gone
_PLAUSIBLE_S = 5.0
# Menu values of V4L2_CID_EXPOSURE_AUTO in the Video4Linux documentation: 1 manual, 3 aperture priority,
# which is what webcams call automatic.
_MANUAL, _AUTOMATIC = 1.0, 3.0


class UsbCamera(PumpedCamera):
    """One Video4Linux camera, by number or path (``/dev/video0``).

    ``start`` raises CameraMissing where the device is absent, held by another program, or sends no picture.
    A frame's time is the driver's time stamp where it is a plausible monotonic one.
    """

    kind = "usb"

    def __init__(
        self,
        device: int | str = 0,
        *,
        size_px: tuple[int, int] = (1280, 720),
        frames_per_s: float = 15.0,
        opener: Callable[..., Any] = cv2.VideoCapture,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"camera {device}")
        self._where, self._size_px, self._rate = device, size_px, frames_per_s
        self._opener, self._clock = opener, clock

    def lock_light(self) -> tuple[str, ...]:
        """Hold what automatic control the camera has where it stands; return the names of what was held."""
        return self._set_light(exposure=_MANUAL, balance=0.0, focus=0.0)

    def release_light(self) -> None:
        """Let the automatic controls run again."""
        self._set_light(exposure=_AUTOMATIC, balance=1.0, focus=1.0)

    def _set_light(self, *, exposure: float, balance: float, focus: float) -> tuple[str, ...]:
        wanted = (
            ("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, exposure),
            ("white balance", cv2.CAP_PROP_AUTO_WB, balance),
            ("focus", cv2.CAP_PROP_AUTOFOCUS, focus),
        )
        # ``get`` answers -1 (or 0 with a failing ``set``) for a control that this camera does not have.
        there = [(name, prop, value) for name, prop, value in wanted if self._device.get(prop) != -1]
        return tuple(name for name, prop, value in there if self._device.set(prop, value))

    def _open(self) -> Any:
        capture = self._opener(self._where, cv2.CAP_V4L2)
        if not capture.isOpened():
            capture.release()
            raise CameraMissing(f"{self.name} is not there, or another program holds it: replug it")
        width, height = self._size_px
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, width)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, height)
        capture.set(cv2.CAP_PROP_FPS, self._rate)
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        return capture

    def _pump(self) -> None:
        capture, misses = self._device, 0
        while not self._quit.is_set() and misses < _MISSES:
            good, pixels = capture.read()
            misses = 0 if good else misses + 1
            if good:
                self._number += 1
                self._slot.put(Frame(np.asarray(pixels, np.uint8), self._stamp(capture), self._number))
        if not self._quit.is_set():
            self._slot.fail(CameraMissing(f"{self.name} sends nothing any more: replug it"))
        capture.release()

    def _stamp(self, capture: Any) -> float:
        now_s = self._clock()
        taken_s = float(capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000
        return taken_s if 0 <= now_s - taken_s < _PLAUSIBLE_S else now_s
