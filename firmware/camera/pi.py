"""The Raspberry Pi's own camera through picamera2: the only file that knows that library."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event
from typing import Any

import cv2
import numpy as np

from firmware.camera.base import Frame, Pixels
from firmware.camera.pumped import PumpedCamera
from firmware.camera.slot import NewestSlot
from firmware.errors import CameraBusy, CameraMissing

__all__ = ["PiCamera", "pi_cameras"]

_PLAUSIBLE_S = 5.0
_PLANAR = {
    "NV12": cv2.COLOR_YUV2BGR_NV12,
    "NV21": cv2.COLOR_YUV2BGR_NV21,
    "YUV420": cv2.COLOR_YUV2BGR_I420,
    "YVU420": cv2.COLOR_YUV2BGR_YV12,
}


@dataclass(frozen=True)
class _Layout:
    """How a stream's pixels lie in memory: picamera2's name of the format, and (width, height)."""

    pixel_format: str
    size_px: tuple[int, int]

    def bgr(self, array: Any) -> Pixels:
        """Return an array of its own, (rows, cols, 3) BGR. picamera2 calls 'RGB888' what lies as B, G, R.

        Rows may be padded at their end; the padding is cut off.
        """
        cols, rows = self.size_px
        if self.pixel_format in _PLANAR:
            return np.asarray(cv2.cvtColor(array, _PLANAR[self.pixel_format])[:rows, :cols], np.uint8)
        if self.pixel_format in ("BGR888", "XBGR8888"):
            array = array[..., 2::-1]
        return np.array(array[:rows, :cols, :3], np.uint8)


class PiCamera(PumpedCamera):
    """A camera on the Pi's ribbon cable: a small stream for finding, the full one for measuring.

    newest : frames of the small stream.
    newest_full : one frame of the large stream, taken when asked for.
    Only controls that this camera says it has are ever set; without a second stream both are the same.
    What was asked for and what the camera then gives may differ in format and size: the latter counts.
    ``start`` raises CameraMissing or CameraBusy.
    """

    kind = "pi"

    def __init__(
        self,
        number: int = 0,
        *,
        full_px: tuple[int, int] = (2304, 1296),
        small_px: tuple[int, int] | None = (1280, 720),
        opener: Callable[[int], Any] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"Pi camera {number}")
        self._which, self._full_px, self._small_px = number, full_px, small_px
        self._layouts: dict[str, _Layout] = {}
        self._opener, self._clock = opener or _open, clock
        self._full_slot, self._full_wanted = NewestSlot(), Event()
        self._metadata: dict[str, Any] = {}

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return a frame of the large stream above that number; numbers are shared with ``newest``."""
        self._check_started()
        self._full_wanted.set()
        return self._full_slot.get(newer_than=newer_than, timeout_s=timeout_s)

    def lock_light(self) -> tuple[str, ...]:
        """Hold exposure, white balance and focus where they stand; return the names of what was held."""
        held = _held(self._metadata, self._device.camera_controls)
        self._device.set_controls({key: value for _, controls in held for key, value in controls.items()})
        return tuple(name for name, _ in held)

    def release_light(self) -> None:
        """Let exposure, white balance and focus find themselves again."""
        free = {"AeEnable": True, "AwbEnable": True, "AfMode": 2}
        self._device.set_controls({k: v for k, v in free.items() if k in self._device.camera_controls})

    def _open(self) -> Any:
        self._full_slot = NewestSlot()
        camera = self._opener(self._which)
        small = {} if self._small_px is None else {"lores": {"size": self._small_px, "format": "YUV420"}}
        main = {"size": self._full_px, "format": "RGB888"}
        try:
            camera.configure(
                camera.create_video_configuration(main=main, buffer_count=3, queue=False, **small)
            )
            camera.start()
        except RuntimeError as error:
            camera.close()
            raise CameraBusy(f"{self.name} does not start ({error}): close the other program") from None
        given = camera.camera_configuration()
        names = ("main",) if self._small_px is None else ("main", "lores")
        self._layouts = {
            name: _Layout(str(given[name]["format"]), tuple(given[name]["size"])) for name in names
        }
        return camera

    def _let_go(self) -> None:
        self._device.stop()
        self._device.close()

    def _pump(self) -> None:
        while not self._quit.is_set():
            request = self._device.capture_request()
            try:
                self._take(request)
            finally:
                request.release()

    def _take(self, request: Any) -> None:
        self._number += 1
        self._metadata = request.get_metadata()
        taken_s = _stamp(self._metadata, self._clock())
        small = "lores" if "lores" in self._layouts else "main"
        frame = Frame(self._pixels(request, small), taken_s, self._number)
        self._slot.put(frame)
        if self._layouts["main"].size_px == self._layouts[small].size_px:
            self._full_slot.put(frame)
        elif self._full_wanted.is_set():
            self._full_wanted.clear()
            self._full_slot.put(Frame(self._pixels(request, "main"), taken_s, self._number))

    def _pixels(self, request: Any, stream: str) -> Pixels:
        return self._layouts[stream].bgr(request.make_array(stream))


def pi_cameras() -> list[str]:
    """Return the models of the Pi cameras here, in the order of their numbers; [] without picamera2."""
    try:
        from picamera2 import Picamera2
    except ImportError:
        return []
    # it opens a camera by its place in this list, not by the 'Num' that the list gives (seen with 0.3.38)
    return [str(info.get("Model", "camera")) for info in Picamera2.global_camera_info()]


def _open(number: int) -> Any:
    try:
        from picamera2 import Picamera2
    except ImportError as error:
        raise CameraMissing(f"picamera2 is not installed here ({error}): use a USB camera, or a Pi") from None
    if number >= len(Picamera2.global_camera_info()):
        raise CameraMissing(f"no Pi camera {number}: check the ribbon cable, then restart the Pi")
    try:
        return Picamera2(number)
    except RuntimeError as error:
        raise CameraBusy(f"Pi camera {number} cannot be opened ({error}): close the other program") from None


def _stamp(metadata: dict[str, Any], now_s: float) -> float:
    """Return the sensor's own time (ns since boot) where it is plausible on the monotonic clock."""
    taken_s = metadata.get("SensorTimestamp", 0) / 1e9
    return float(taken_s) if 0 <= now_s - taken_s < _PLAUSIBLE_S else now_s


def _held(metadata: dict[str, Any], there: Any) -> list[tuple[str, dict[str, Any]]]:
    """Return (name, controls) for what this camera can hold at the values of its last frame."""
    wanted = (
        ("exposure", {"AeEnable": False}, ("ExposureTime", "AnalogueGain")),
        ("white balance", {"AwbEnable": False}, ("ColourGains",)),
        ("focus", {"AfMode": 0}, ("LensPosition",)),
    )
    held = []
    for name, switch, values in wanted:
        if set(switch) <= set(there):
            kept = {key: metadata[key] for key in values if key in metadata and key in there}
            held.append((name, {**switch, **kept}))
    return held


if __name__ == "__main__":  # asked in a process of its own: loading the library may block
    print(json.dumps(pi_cameras()))
