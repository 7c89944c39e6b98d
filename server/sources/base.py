"""What a session asks of whatever has pictures and hands, and the source that has neither.

A camera's is in ``camera_source.py``, the practice laser's in ``practice_source.py``; each offers the same
few calls to :class:`server.session.session.Session`, which cannot tell which it has.
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
    """There is no picture to be had now; ``str()`` says what to do."""


NEAR_MM = 1.0  # heads so near each other on each axis stand at one place


class Placed(Protocol):
    """What belongs to a place: a mark, an aim, a place itself."""

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
        """Return where that is."""
        return cls(placed.station, placed.head_mm)

    def agrees(self, other: Placed) -> bool:
        """Whether that is the same place: one station, and the head within NEAR_MM."""
        return self.station == other.station and self.head_near(other)

    def head_near(self, other: Placed) -> bool:
        """Whether the head stands at one place, whatever the station."""
        return all(abs(a - b) <= NEAR_MM for a, b in zip(self.head_mm, other.head_mm, strict=True))


@dataclass(frozen=True)
class Shot:
    """The pictures around one pulse, (rows, cols, 3) uint8 BGR; ``before`` is None where nobody took one."""

    after: Pixels
    before: Pixels | None


class Source(Protocol):
    """What a session asks of practice laser, camera and photo alike.

    kind : practice, camera or offline. reads : the pictures around a pulse can be had here. frame_age_s : how
    old a frame may be before it is taken anew. problem : one line on what is wrong with the camera just now,
    or None. focus : who sets its lens, ``motor`` or ``by hand``, or
    None. machine : the profile of a laser that it has itself, as JSON. frame : the newest picture; look :
    the newest above a number, with its time; both raise NoPicture. set_pace : how often somebody looks.
    hold_light : hold exposure, white balance and focus, or let them go. hang : fresh tape hangs there. shot :
    the pictures around the newest pulse (practice: fires it). taken : from now on that is the picture from
    before. turn, shift, inspected : hands do it; ease : a held screw turns by so much. renew : another
    machine. to_json, restore : what is kept over a restart. close : let the camera go.
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
    """No camera and no virtual hand: photos and numbers come from the person."""

    kind = "offline"
    reads = False
    frame_age_s = 1.0

    @property
    def problem(self) -> str | None:
        """One line on what is wrong with the camera just now."""
        return None

    @property
    def focus(self) -> str | None:
        """Who sets the camera's lens, where there is one and it says so."""
        return None

    def machine(self) -> Json | None:
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

    def renew(self, options: Json) -> None:
        """Nothing to renew."""

    def to_json(self) -> Json:
        return {}

    def restore(self, data: Json) -> None:
        """Nothing was kept."""

    def close(self) -> None:
        """Nothing is open."""


class Feed:
    """The newest frame as JPEG, taken at most once per ``frame_age_s`` however many look."""

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
