"""What a session asks of whatever has pictures and hands, and the source that has neither.

A camera's is in ``source_camera.py``, the practice laser's in ``source_practice.py``; each offers the same
few calls to :class:`server.session.session.Session`, which cannot tell which it has.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from firmware import FrameLike

__all__ = ["Feed", "NoPicture", "OfflineSource", "Pixels", "Place", "Shot", "Source", "as_jpeg", "as_png"]

Pixels = NDArray[np.uint8]


class NoPicture(Exception):
    """There is no picture to be had now; ``str()`` says what to do."""


@dataclass(frozen=True)
class Place:
    """Where the card hangs and where the head stands (machine frame, mm)."""

    station: str
    head_mm: tuple[float, float]

    def as_json(self) -> dict[str, Any]:
        return {"station": self.station, "head_mm": list(self.head_mm)}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Place:
        x_mm, y_mm = data["head_mm"]
        return cls(str(data["station"]), (float(x_mm), float(y_mm)))

    def agrees(self, station: str, head_mm: tuple[float, float]) -> bool:
        """Whether this is that place, to the millimetre."""
        near = all(abs(a - b) <= 1.0 for a, b in zip(self.head_mm, head_mm, strict=True))
        return self.station == station and near


@dataclass(frozen=True)
class Shot:
    """The pictures around one pulse, (rows, cols, 3) uint8 BGR; ``before`` is None where nobody took one."""

    after: Pixels
    before: Pixels | None


class Source(Protocol):
    """What a session asks of practice laser, camera and photo alike."""

    kind: str
    frame_age_s: float

    @property
    def problem(self) -> str | None: ...
    def machine(self) -> dict[str, Any] | None: ...
    def frame(self) -> Pixels: ...
    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike: ...
    def set_pace(self, frames_per_s: float) -> None: ...
    def hold_light(self, hold: bool) -> None: ...
    def hang(self, place: Place) -> None: ...
    def shot(self) -> Shot: ...
    def taken(self, after: Pixels) -> None: ...
    def turn(self, mount: int, screw: str, turns: float) -> None: ...
    def ease(self, mount: int, screw: str, turns: float) -> None: ...
    def shift(self, part: str, move_mm: list[float]) -> None: ...
    def inspected(self, cause: str, outcome: str) -> None: ...
    def renew(self, options: dict[str, Any]) -> None: ...
    def to_json(self) -> dict[str, Any]: ...
    def restore(self, data: dict[str, Any]) -> None: ...
    def close(self) -> None: ...


class OfflineSource:
    """No camera and no virtual hand: photos and numbers come from the person."""

    kind = "offline"
    frame_age_s = 1.0

    @property
    def problem(self) -> str | None:
        """One line on what is wrong with the camera just now."""
        return None

    def machine(self) -> dict[str, Any] | None:
        return None

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        """Return the newest frame above that number, with its time; for an eye that looks all the time."""
        raise NoPicture("There is no camera here.")

    def set_pace(self, frames_per_s: float) -> None:
        """Nobody looks more closely than that just now."""

    def hold_light(self, hold: bool) -> None:
        """Hold exposure, white balance and focus, or let them find themselves again."""

    def frame(self) -> Pixels:
        raise NoPicture("There is no camera here: send a photo or type the offset.")

    def shot(self) -> Shot:
        raise NoPicture("There is no camera here: send a photo or type the offset.")

    def hang(self, place: Place) -> None:
        """A person did it."""

    def taken(self, after: Pixels) -> None:
        """Photos bring their own picture from before."""

    def turn(self, mount: int, screw: str, turns: float) -> None:
        """A person did it."""

    def shift(self, part: str, move_mm: list[float]) -> None:
        """A person did it."""

    def ease(self, mount: int, screw: str, turns: float) -> None:
        """No screw here can be held from a page."""
        raise ValueError("only the practice screws turn from here")

    def inspected(self, cause: str, outcome: str) -> None:
        """A person did it."""

    def renew(self, options: dict[str, Any]) -> None:
        """Nothing to renew."""

    def to_json(self) -> dict[str, Any]:
        return {}

    def restore(self, data: dict[str, Any]) -> None:
        """Nothing was kept."""

    def close(self) -> None:
        """Nothing is open."""


class Feed:
    """The newest frame as JPEG, taken at most once per ``frame_age_s`` however many look."""

    def __init__(self, source: Source, *, clock: Any = time.monotonic, quality: int = 72) -> None:
        self._source, self._clock, self._quality = source, clock, quality
        self._lock = threading.Lock()
        self._jpeg: bytes | None = None
        self._shown: Pixels | None = None
        self._taken_s = 0.0

    def jpeg(self) -> bytes:
        """Return the JPEG; raises NoPicture."""
        with self._lock:
            now_s = self._clock()
            if self._jpeg is None or now_s - self._taken_s > self._source.frame_age_s:
                pixels = self._source.frame()
                if self._jpeg is None or pixels is not self._shown:
                    self._jpeg, self._shown = as_jpeg(pixels, quality=self._quality), pixels
                self._taken_s = self._clock()
            return self._jpeg

    def forget(self) -> None:
        """Make the next call take a new picture."""
        with self._lock:
            self._jpeg = None


def as_jpeg(pixels: Pixels, *, quality: int = 90) -> bytes:
    """Return (rows, cols, 3) BGR pixels as the bytes of a JPEG file."""
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise NoPicture("The picture could not be written as JPEG.")
    return data.tobytes()


def as_png(pixels: Pixels) -> bytes:
    """Return (rows, cols, 3) BGR pixels as the bytes of a PNG file, without loss."""
    done, data = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise NoPicture("The picture could not be written as PNG.")
    return data.tobytes()
