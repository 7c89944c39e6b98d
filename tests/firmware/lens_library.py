"""A camera in picamera2's shapes, with a motor lens before a rendered card; time passes with each frame."""

from __future__ import annotations

from threading import Event
from typing import Any

import numpy as np

from firmware.camera.fake_lens import FakeLens
from tests.firmware.clock import Clock

LATE_FRAMES = (
    2  # libcamera's controls take that many frames to show, by its documentation of delayed controls
)
SLEW = 4.0  # dioptres that the lens moves from frame to frame


class LensLibrary:
    """Hands out frames at the pace that is set, each as sharp as the lens stands at that time."""

    def __init__(
        self, picture: np.ndarray, lens: FakeLens | None, clock: Clock, *, reports: bool = True
    ) -> None:
        self.camera_controls: dict[str, Any] = {
            "AeEnable": (False, True, None),
            "ExposureTime": (1, 66_666, 20_000),
            "FrameDurationLimits": (17_000, 500_000, 33_333),
        }
        if lens is not None:
            self.camera_controls |= {
                "AfMode": (0, 2, 0),
                "AfRange": (0, 2, 0),
                "LensPosition": (0.0, 32.0, 1.0),
            }
        self.picture, self.lens, self.clock, self.reports = picture, lens, clock, reports
        self.controls: list[dict[str, Any]] = []  # all that was ever set, in order
        self.position, self.target, self.interval_s = 1.0, 1.0, 1 / 30
        self._coming: list[tuple[int, dict[str, Any]]] = []
        self._shown: dict[float, np.ndarray] = {}
        self.taken, self.closed = 0, False
        self.most, self.looked, self.go_on = 400, Event(), Event()  # after so many frames it waits for a word

    def create_video_configuration(self, **wanted: Any) -> dict[str, Any]:
        return wanted

    def configure(self, configuration: dict[str, Any]) -> None:
        self.configuration = configuration

    def camera_configuration(self) -> dict[str, Any]:
        rows, cols = self.picture.shape[:2]
        return {"main": {"format": "RGB888", "size": (cols, rows)}}

    def start(self) -> None:
        for _, controls in self._coming:  # what is set before the start holds from the first frame on
            self._obey(controls)
        self._coming.clear()
        self.position = self.target

    def set_controls(self, controls: dict[str, Any]) -> None:
        self.controls.append(controls)
        self._coming.append((self.taken + LATE_FRAMES, controls))

    def _obey(self, controls: dict[str, Any]) -> None:
        self.target = controls.get("LensPosition", self.target)
        if "FrameDurationLimits" in controls:
            self.interval_s = controls["FrameDurationLimits"][0] / 1e6

    def capture_request(self) -> LensLibrary:
        while self.taken >= self.most:
            self.looked.set()
            self.go_on.wait()
            self.go_on.clear()
        for due, controls in list(self._coming):
            if self.taken >= due:
                self._obey(controls)
                self._coming.remove((due, controls))
        self.position += float(np.clip(self.target - self.position, -SLEW, SLEW))
        self.clock.sleep(self.interval_s)
        self.taken += 1
        return self

    def get_metadata(self) -> dict[str, Any]:
        metadata = {"SensorTimestamp": int(self.clock() * 1e9), "ExposureTime": 8000}
        return (
            {**metadata, "LensPosition": self.position}
            if self.reports and self.lens is not None
            else metadata
        )

    def make_array(self, stream: str) -> np.ndarray:
        if self.lens is None:
            return self.picture
        if self.position not in self._shown:
            grey = self.lens.seen(self.picture[..., 0], self.position)
            self._shown[self.position] = np.repeat(grey[..., None], 3, axis=2)
        return self._shown[self.position]

    def release(self) -> None: ...
    def stop(self) -> None: ...

    def close(self) -> None:
        self.closed = True
