"""Pictures from a real camera: one on this computer, or those of remote rigs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware import KINDS, Camera, FrameLike, ReplayRefused, RigError, UnknownCamera
from firmware.camera.supervised import SupervisedCamera
from server.sources.base import NoPicture, OfflineSource, Pixels, Place, Shot
from vision import PictureRefused, load_picture

__all__ = ["NAMES", "SMALL_PIXELS", "CameraSource", "RigsSource", "camera_source"]

NAMES = ("pi", "pi:NUMBER", "usb", "usb:DEVICE", "replay:FOLDER", "rigs")  # as a person types them
# limit for a remote rig's small picture, which is only to look at; the program sends 480 columns
SMALL_PIXELS = 2_000_000


class CameraSource(OfflineSource):
    """A real camera. The person fires; this keeps the picture from before the pulse.

    Marks are measured in the camera's large pictures if it has two sizes (``newest_full``).
    """

    kind = "camera"
    reads = True
    frame_age_s = 0.1

    def __init__(self, camera: Camera, *, timeout_s: float = 2.0) -> None:
        self._camera = camera
        self._timeout_s = timeout_s
        self._before: Pixels | None = None
        self._number = -1
        camera.start()

    @property
    def problem(self) -> str | None:
        return self._camera.problem

    @property
    def focus(self) -> str | None:
        return self._camera.focus

    def frame(self) -> Pixels:
        return self.look(newer_than=-1, timeout_s=self._timeout_s).pixels

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        return self._take(self._camera.newest, newer_than, timeout_s)

    def hang(self, place: Place) -> None:
        self._before = self._best()

    def shot(self) -> Shot:
        return Shot(self._best(), self._before)

    def taken(self, after: Pixels) -> None:
        self._before = after

    def set_pace(self, frames_per_s: float) -> None:
        self._camera.set_pace(frames_per_s)

    def hold_light(self, hold: bool) -> None:
        if hold:
            self._camera.lock_light()
        else:
            self._camera.release_light()

    def close(self) -> None:
        self._camera.stop()

    def _best(self) -> Pixels:
        return self._take(self._camera.newest_full, self._number, self._timeout_s).pixels

    def _take(self, take: Callable[..., FrameLike], newer_than: int, timeout_s: float) -> FrameLike:
        try:
            frame = take(newer_than=newer_than, timeout_s=timeout_s)
        except (RigError, TimeoutError) as error:
            raise NoPicture(str(error)) from error
        self._number = max(self._number, frame.number)
        return frame


def camera_source(kind: str, **options: Any) -> CameraSource:
    """Return the source of a camera of that kind (``firmware.KINDS``), which runs in its own process.

    If the camera is absent, the source waits for it and the page says so. Raises RigError, one line, for what
    waiting cannot cure: an unknown kind, a missing recording.
    """
    if kind not in KINDS:
        raise UnknownCamera(f"no camera is called {kind!r}: choose one of {', '.join(NAMES)}")
    if kind == "replay" and not Path(options["source"]).exists():
        raise ReplayRefused(f"{options['source']}: no such folder or video")
    return CameraSource(SupervisedCamera(kind, **options))


class RigsSource(OfflineSource):
    """No camera here: remote rigs send the marks they read, and small pictures to look at."""

    kind = "camera"
    frame_age_s = 0.5

    def __init__(self) -> None:
        self._picture: bytes | None = None

    def show(self, picture: bytes) -> None:
        """Show this small picture (JPEG), the newest of any rig that sees a card."""
        self._picture = picture

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        raise NoPicture("No camera here: the rigs read the marks by themselves.")

    def frame(self) -> Pixels:
        if self._picture is None:
            raise NoPicture("No rig has sent a picture yet: is it on, and does it have the access code?")
        try:
            return load_picture(self._picture, max_pixels=SMALL_PIXELS)
        except PictureRefused as error:
            raise NoPicture(f"The rig's picture cannot be read: {error}") from error

    def shot(self) -> Shot:
        raise NoPicture("The rig reads the mark by itself: wait a moment.")
