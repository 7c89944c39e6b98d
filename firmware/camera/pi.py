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
from firmware.camera.focus import FocusScan, focus_kind, free_focus, set_focus
from firmware.camera.pumped import PumpedCamera
from firmware.camera.slot import NewestSlot
from firmware.errors import CameraBusy, CameraMissing

__all__ = ["PiCamera", "pi_cameras"]

_PLAUSIBLE_S = 5.0
_FULL_PACE = 30.0  # frames a second while exposure and focus adjust themselves
_FIRST_SEEN = 3  # frames that pass before one is worth judging
_SETTLED = 12  # frames until exposure and white balance are worth holding: common practice, no source
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
    """A camera on the Pi's ribbon cable: a small stream for finding, a large one for measuring.

    full_px : the large stream; on Camera Module 3 half of its 4608 × 2592 pixels each way, four read as one.
    newest : frames of the small stream. newest_full : one frame of the large stream, taken when asked for.
    focus_dioptres : where the card is, by the clip (1 / metre). The lens is set there at the start, searches
    nearby for the sharpest place once, and stays; without it the camera focuses by itself until it is held.
    No frames are returned during the search, because none would be sharp. Only controls that this camera says
    it has are ever set; without a second stream both are the same. The camera may give another format and
    size than was asked for; what it gives counts. ``start`` raises CameraMissing or CameraBusy.
    """

    kind = "pi"

    def __init__(
        self,
        number: int = 0,
        *,
        full_px: tuple[int, int] = (2304, 1296),
        small_px: tuple[int, int] | None = (1280, 720),
        focus_dioptres: float | None = None,
        upside_down: bool = False,
        opener: Callable[[int], Any] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"Pi camera {number}", upside_down=upside_down)
        self._which, self._full_px, self._small_px = number, full_px, small_px
        self._focus_dioptres = focus_dioptres
        self._layouts: dict[str, _Layout] = {}
        self._opener, self._clock = opener or _open, clock
        self._full_slot, self._full_wanted = NewestSlot(), Event()
        self._metadata: dict[str, Any] = {}
        self._frames = 0  # since it was started
        self._scan: FocusScan | None = None
        self._scan_due = self._focused = self._hold = self._held = False
        self._frames_per_s, self._pace_due = _FULL_PACE, False

    @property
    def focus(self) -> str | None:
        """Who sets the lens, once the camera is started."""
        return focus_kind(self._device.camera_controls) if self._device is not None else None

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return a frame of the large stream above that number; numbers are shared with ``newest``."""
        self._check_started()
        self._full_wanted.set()
        return self._full_slot.get(newer_than=newer_than, timeout_s=timeout_s)

    def lock_light(self) -> tuple[str, ...]:
        """Hold exposure, white balance and focus where they stand; return the names of what was held.

        A camera that has just started holds them a little later, when they have settled. A lens that found no
        sharpest place at the start searches again, because now there is a card.
        """
        self._hold = True
        self._scan_due = self._scan is None and not self._focused and self._goes_to_clip
        return self._hold_if_settled()

    def release_light(self) -> None:
        """Let exposure and white balance adjust themselves again; focus too, where no clip sets it."""
        self._hold = self._held = False
        there = self._device.camera_controls
        free = {key: True for key in ("AeEnable", "AwbEnable") if key in there}
        self._set(free if self._focus_dioptres is not None else {**free, **free_focus(there)})

    def set_pace(self, frames_per_s: float) -> None:
        """Let the sensor itself take no more frames than that, once it has settled."""
        self._frames_per_s, self._pace_due = frames_per_s, True

    @property
    def _goes_to_clip(self) -> bool:
        return self._focus_dioptres is not None and self.focus == "motor"

    @property
    def _settled(self) -> bool:
        return self._frames >= _SETTLED and self._scan is None and not self._scan_due

    def _hold_if_settled(self) -> tuple[str, ...]:
        if not self._hold or self._held or not self._settled:
            return ()
        self._held = True
        held = _held(self._metadata, self._device.camera_controls, scanned=self._focused)
        self._set({key: value for _, controls in held for key, value in controls.items()})
        return tuple(name for name, _ in held)

    def _let_pace(self, frames_per_s: float) -> None:
        limits = self._device.camera_controls.get("FrameDurationLimits")
        if limits:
            low, high = int(limits[0]), int(limits[1])
            lasts_us = min(max(round(1e6 / frames_per_s), low), max(high, low))
            self._set({"FrameDurationLimits": (lasts_us, lasts_us)})

    def _set(self, controls: dict[str, Any]) -> None:
        if controls:
            self._device.set_controls(controls)

    def _begin_scan(self) -> None:
        """Search for the sharpest place near the clip's distance."""
        assert self._focus_dioptres is not None
        self._scan_due = False
        low, high = (float(limit) for limit in self._device.camera_controls["LensPosition"][:2])
        self._scan = FocusScan(self._focus_dioptres, (low, high))
        self._let_pace(_FULL_PACE)
        self._set(set_focus(self._device.camera_controls, self._scan.wanted))

    def _open(self) -> Any:
        self._full_slot = NewestSlot()
        self._frames, self._scan, self._metadata = 0, None, {}
        self._focused = self._hold = self._held = False
        self._pace_due = True
        camera = self._opener(self._which)
        small = {} if self._small_px is None else {"lores": {"size": self._small_px, "format": "YUV420"}}
        main = {"size": self._full_px, "format": "RGB888"}
        try:
            camera.configure(
                camera.create_video_configuration(main=main, buffer_count=3, queue=False, **small)
            )
            self._set_lens(camera)
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

    def _set_lens(self, camera: Any) -> None:
        """Set the lens before the first frame: left alone it stands at 1 dioptre and sees no card."""
        there, wanted = camera.camera_controls, self._focus_dioptres
        first = free_focus(there) if wanted is None else set_focus(there, wanted)
        self._scan_due = wanted is not None and bool(first)
        if first:
            camera.set_controls(first)

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
        self._frames += 1
        self._metadata = request.get_metadata()
        taken_s = _stamp(self._metadata, self._clock())
        small = "lores" if "lores" in self._layouts else "main"
        pixels = self._pixels(request, small)
        if self._searches(pixels):
            return
        frame = Frame(pixels, taken_s, self._number)
        self._slot.put(frame)
        if self._layouts["main"].size_px == self._layouts[small].size_px:
            self._full_slot.put(frame)
        elif self._full_wanted.is_set():
            self._full_wanted.clear()
            self._full_slot.put(Frame(self._pixels(request, "main"), taken_s, self._number))
        self._hold_if_settled()
        if self._pace_due and self._settled:
            self._pace_due = False
            self._let_pace(self._frames_per_s)

    def _searches(self, pixels: Pixels) -> bool:
        """Continue the search for focus, if one is due; returns whether this frame is part of it."""
        scan = self._scan
        if scan is None:
            if self._scan_due and self._frames >= _FIRST_SEEN:
                self._begin_scan()
            return self._scan_due or self._scan is not None
        before = scan.wanted
        scan.look(pixels, self._metadata.get("LensPosition"))
        if scan.wanted != before:
            self._set(set_focus(self._device.camera_controls, scan.wanted))
        if scan.done:
            self._scan, self._focused, self._pace_due = None, scan.found, True
        return True

    def _pixels(self, request: Any, stream: str) -> Pixels:
        return self._upright(self._layouts[stream].bgr(request.make_array(stream)))


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


def _held(metadata: dict[str, Any], there: Any, *, scanned: bool) -> list[tuple[str, dict[str, Any]]]:
    """Return (name, controls) for what this camera can hold at the values of its last frame.

    scanned : the lens stands where the search left it; it is not moved again.
    """
    wanted = (
        ("exposure", {"AeEnable": False}, ("ExposureTime", "AnalogueGain")),
        ("white balance", {"AwbEnable": False}, ("ColourGains",)),
        ("focus", {"AfMode": 0}, ("LensPosition",)),
    )
    held = []
    for name, switch, values in wanted:
        if set(switch) <= set(there):
            kept = {key: metadata[key] for key in values if key in metadata and key in there}
            held.append((name, {} if name == "focus" and scanned else {**switch, **kept}))
    return held


if __name__ == "__main__":  # asked in a process of its own: loading the library may block
    print(json.dumps(pi_cameras()))
