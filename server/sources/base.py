"""The interface of a session's source of pictures and adjustments, and the offline source.

The camera's source is in ``camera_source.py``, the practice laser's in ``practice_source.py``. All offer the
same calls to :class:`server.session.session.Session`, which treats them alike.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from firmware import FrameLike
from server.log import Json

__all__ = [
    "Feed",
    "NoPicture",
    "OfflineSource",
    "Pixels",
    "Place",
    "Placed",
    "Shot",
    "Source",
    "as_jpeg",
    "as_png",
]

Pixels = NDArray[np.uint8]


class NoPicture(Exception):
    """No picture is available now; ``str()`` says what to do."""


NEAR_MM = 1.0  # head positions that differ by no more than this on each axis count as one place


class Placed(Protocol):
    """Anything at a place: a mark, an aim, a place itself."""

    @property
    def station(self) -> str: ...
    @property
    def head_mm(self) -> tuple[float, float]: ...


@dataclass(frozen=True)
class Place:
    """Where the card hangs and where the head stands (machine frame, mm)."""

    station: str
    head_mm: tuple[float, float]

    def as_json(self) -> Json:
        """Return plain JSON values."""
        return {"station": self.station, "head_mm": list(self.head_mm)}

    @classmethod
    def from_json(cls, data: Json) -> Place:
        """Return the place in any JSON object that has ``station`` and ``head_mm``."""
        x_mm, y_mm = data["head_mm"]
        return cls(str(data["station"]), (float(x_mm), float(y_mm)))

    @classmethod
    def of(cls, placed: Placed) -> Place:
        """Return the place of a mark or an aim."""
        return cls(placed.station, placed.head_mm)

    def agrees(self, other: Placed) -> bool:
        """Whether it is the same place: the same station, and the head within NEAR_MM."""
        return self.station == other.station and self.head_near(other)

    def head_near(self, other: Placed) -> bool:
        """Whether the head is within NEAR_MM, at whatever station."""
        return all(abs(a - b) <= NEAR_MM for a, b in zip(self.head_mm, other.head_mm, strict=True))


@dataclass(frozen=True)
class Shot:
    """The pictures around one pulse, (rows, cols, 3) uint8 BGR; ``before`` is None if there is none."""

    after: Pixels
    before: Pixels | None


class Source(Protocol):
    """What a session needs from a source: practice laser, camera or offline.

    kind : practice, camera or offline. reads : it has the pictures around a pulse. frame_age_s : how old a
    frame may be before a new one is taken. problem : one line on what is wrong with the camera, or None.
    focus : who sets its lens, ``motor`` or ``by hand``, or None. machine : the profile of the source's own
    laser, as JSON, or None. frame : the newest picture; look : the newest above a number, with its time; both
    raise NoPicture. set_pace : frames per second that are needed. hold_light : lock exposure, white balance
    and focus, or release them. hang : fresh tape hangs there. shot : the pictures around the newest pulse
    (practice: fires it). taken : use that as the picture before the next pulse. turn, shift, inspected : an
    adjustment was made (practice: makes it); ease : turn a held screw by exactly that much. renew : draw
    another machine. to_json, restore : state kept over a restart. close : release the camera.
    """

    kind: str
    reads: bool
    frame_age_s: float

    @property
    def problem(self) -> str | None: ...
    @property
    def focus(self) -> str | None: ...
    def machine(self) -> Json | None: ...
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
    def renew(self, options: Json) -> None: ...
    def to_json(self) -> Json: ...
    def restore(self, data: Json) -> None: ...
    def close(self) -> None: ...


class OfflineSource:
    """No camera and no simulated laser: photos and numbers come from the person."""

    kind = "offline"
    reads = False
    frame_age_s = 1.0

    @property
    def problem(self) -> str | None:
        """One line on what is wrong with the camera now, or None."""
        return None

    @property
    def focus(self) -> str | None:
        """Who sets the camera's lens, where there is one and it says so."""
        return None

    def machine(self) -> Json | None:
        return None

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        """Return the newest frame above that number, with its time; for the frame loop."""
        raise NoPicture("There is no camera here.")

    def set_pace(self, frames_per_s: float) -> None:
        """Take this many frames per second from now on."""

    def hold_light(self, hold: bool) -> None:
        """Lock exposure, white balance and focus, or release them."""

    def frame(self) -> Pixels:
        raise NoPicture("There is no camera here: send a photo or type the offset.")

    def shot(self) -> Shot:
        raise NoPicture("There is no camera here: send a photo or type the offset.")

    def hang(self, place: Place) -> None:
        """A person did it."""

    def taken(self, after: Pixels) -> None:
        """Photos come with their own picture from before the pulse."""

    def turn(self, mount: int, screw: str, turns: float) -> None:
        """A person did it."""

    def shift(self, part: str, move_mm: list[float]) -> None:
        """A person did it."""

    def ease(self, mount: int, screw: str, turns: float) -> None:
        """Raise ValueError: a real screw cannot be turned from the page."""
        raise ValueError("the page can turn only the practice screws")

    def inspected(self, cause: str, outcome: str) -> None:
        """A person did it."""

    def renew(self, options: Json) -> None:
        """Nothing to renew."""

    def to_json(self) -> Json:
        return {}

    def restore(self, data: Json) -> None:
        """Nothing was kept."""

    def close(self) -> None:
        """Nothing is open."""


class Feed:
    """The newest frame as JPEG, taken at most once per ``frame_age_s`` for any number of viewers."""

    def __init__(
        self, source: Source, *, clock: Callable[[], float] = time.monotonic, quality: int = 72
    ) -> None:
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

    def clear(self) -> None:
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
