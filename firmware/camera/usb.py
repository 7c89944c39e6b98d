"""A USB camera or microscope, Video4Linux through OpenCV; a thread keeps only the newest frame."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

from firmware.camera.base import Frame
from firmware.camera.formats import unreadable
from firmware.camera.pumped import PumpedCamera
from firmware.errors import CameraMissing

__all__ = ["UsbCamera"]

_MISSES = 5  # failed reads in a row before the camera counts as gone
_PLAUSIBLE_S = 5.0
_SETTLED = 12  # frames until exposure and white balance are worth holding: common practice, no source
_EARLY = 0.75  # of the interval: a frame that comes a little early still counts
# Menu values of V4L2_CID_EXPOSURE_AUTO in the Video4Linux documentation: 1 manual, 3 aperture priority,
# which is what webcams call automatic.
_MANUAL, _AUTOMATIC = 1.0, 3.0
# Name, automatic control, its value when it runs, when it does not, and the control of what is then held.
_LIGHT = (
    ("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, _AUTOMATIC, _MANUAL, cv2.CAP_PROP_EXPOSURE),
    ("white balance", cv2.CAP_PROP_AUTO_WB, 1.0, 0.0, cv2.CAP_PROP_WB_TEMPERATURE),
    ("focus", cv2.CAP_PROP_AUTOFOCUS, 1.0, 0.0, cv2.CAP_PROP_FOCUS),
)


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
        upside_down: bool = False,
        size_px: tuple[int, int] = (1280, 720),
        frames_per_s: float = 15.0,
        opener: Callable[..., Any] = cv2.VideoCapture,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"camera {device}", upside_down=upside_down)
        self._where, self._size_px, self._rate = device, size_px, frames_per_s
        self._opener, self._clock = opener, clock
        self._frames = 0  # since it was started
        self._hold = self._held = False
        self._interval_s = self._due_s = 0.0

    def set_pace(self, frames_per_s: float) -> None:
        """Decode no more frames a second than that; the camera itself is not changed."""
        self._interval_s = 1.0 / frames_per_s

    @property
    def focus(self) -> str | None:
        """Who sets the lens, once the camera is started."""
        if self._device is None:
            return None
        return "by hand" if self._device.get(cv2.CAP_PROP_AUTOFOCUS) == -1 else "motor"

    def lock_light(self) -> tuple[str, ...]:
        """Hold what automatic control the camera has where it stands; return the names of what was held.

        A camera that has just started holds it a little later, when it has found its light.
        """
        self._hold = True
        return self._hold_if_settled()

    def _hold_if_settled(self) -> tuple[str, ...]:
        if not self._hold or self._held or self._frames < _SETTLED:
            return ()
        self._held = True
        held = []
        for name, automatic, _, manual, value in _LIGHT:
            stands_at = self._device.get(value)
            if self._switch(automatic, manual):
                held.append(name)
                # Otherwise many cameras return to the last manual setting, which may be years old.
                if stands_at > 0:
                    self._device.set(value, stands_at)
        return tuple(held)

    def release_light(self) -> None:
        """Let the automatic controls run again."""
        self._hold = self._held = False
        for _, automatic, free, _, _ in _LIGHT:
            self._switch(automatic, free)

    def _switch(self, control: int, to: float) -> bool:
        # ``get`` answers -1 for a control that this camera does not have.
        return self._device.get(control) != -1 and bool(self._device.set(control, to))

    def _open(self) -> Any:
        capture = self._opener(self._where, cv2.CAP_V4L2)
        if not capture.isOpened():
            capture.release()
            raise CameraMissing(self._why_closed())
        width, height = self._size_px
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, width)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, height)
        capture.set(cv2.CAP_PROP_FPS, self._rate)
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        self._device, self._frames = capture, 0
        self.release_light()  # a camera keeps what the program before this one held
        return capture

    def _why_closed(self) -> str:
        if only := unreadable(self._where):
            sends = " and ".join(only)
            return (
                f"{self.name} sends only {sends}, which cannot be read here: use one that sends MJPG or YUYV"
            )
        return f"{self.name} is not there, or another program holds it: replug it"

    def _pump(self) -> None:
        capture, misses = self._device, 0
        while not self._quit.is_set() and misses < _MISSES:
            good = capture.grab()
            if good and not self._wanted(self._clock()):
                misses = 0
                continue  # it is never decoded, because decoding is the expensive part
            good, pixels = capture.retrieve() if good else (False, None)
            misses = 0 if good else misses + 1
            if good:
                self._number += 1
                self._frames += 1
                taken_s = self._stamp(capture)
                self._slot.put(Frame(self._upright(np.asarray(pixels, np.uint8)), taken_s, self._number))
                self._hold_if_settled()
        if not self._quit.is_set():
            self._slot.fail(CameraMissing(f"{self.name} sends nothing any more: replug it"))
        capture.release()

    def _wanted(self, now_s: float) -> bool:
        """Whether this frame is one of the few that are wanted just now; the first ones all are."""
        if self._frames >= _SETTLED and now_s < self._due_s:
            return False
        self._due_s = now_s + _EARLY * self._interval_s
        return True

    def _stamp(self, capture: Any) -> float:
        now_s = self._clock()
        taken_s = float(capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000
        return taken_s if 0 <= now_s - taken_s < _PLAUSIBLE_S else now_s
