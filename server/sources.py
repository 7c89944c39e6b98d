"""Where pictures come from, and whose hands turn the screws: practice machine, camera, or neither.

Each source offers the same few calls to :class:`server.live.Session`, which cannot tell which it has.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from firmware import KINDS, Camera, FrameLike, ReplayRefused, RigError, UnknownCamera
from firmware.supervised import SupervisedCamera
from server.practice import PracticeCamera, PracticeMachine, default_profile
from server.practice.truth import Severity
from server.solver import profile_as_json
from server.solver.profile import Corner

__all__ = [
    "CameraSource",
    "Feed",
    "NoPicture",
    "OfflineSource",
    "Place",
    "PracticeSource",
    "RigsSource",
    "Shot",
    "Source",
    "as_jpeg",
    "camera_source",
]

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
    """What a session asks of practice machine, camera and photo alike."""

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


class CameraSource(OfflineSource):
    """A real camera: the person fires, the picture from before the pulse is remembered here.

    Marks are measured at the sensor's full resolution where the camera offers that (``newest_full``).
    """

    kind = "camera"
    frame_age_s = 0.1

    def __init__(self, camera: Camera, *, timeout_s: float = 2.0) -> None:
        self._camera = camera
        self._timeout_s = timeout_s
        self._before: Pixels | None = None
        self._number = -1
        camera.start()

    @property
    def problem(self) -> str | None:
        found: str | None = getattr(self._camera, "problem", None)
        return found

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
        if isinstance(self._camera, SupervisedCamera):
            self._camera.set_pace(frames_per_s)

    def hold_light(self, hold: bool) -> None:
        deed = getattr(self._camera, "lock_light" if hold else "release_light", None)
        if deed is not None:
            deed()

    def close(self) -> None:
        self._camera.stop()

    def _best(self) -> Pixels:
        take = getattr(self._camera, "newest_full", self._camera.newest)
        return self._take(take, self._number, self._timeout_s).pixels

    def _take(self, take: Callable[..., FrameLike], newer_than: int, timeout_s: float) -> FrameLike:
        try:
            frame = take(newer_than=newer_than, timeout_s=timeout_s)
        except (RigError, TimeoutError) as error:
            raise NoPicture(str(error)) from error
        self._number = max(self._number, frame.number)
        return frame


def camera_source(kind: str, **options: Any) -> CameraSource:
    """Return a source on a camera of that kind (``firmware.KINDS``), in a process of its own.

    A camera that is absent now is waited for, and the page says so. Raises RigError in one line for what no
    waiting cures: an unknown kind, a recording that is not there.
    """
    if kind not in KINDS:
        raise UnknownCamera(f"no camera of kind {kind!r}: choose one of {', '.join(KINDS)}")
    if kind == "replay" and not Path(options["source"]).exists():
        raise ReplayRefused(f"{options['source']}: no such folder or video")
    return CameraSource(SupervisedCamera(kind, **options))


class RigsSource(OfflineSource):
    """No camera here: rigs elsewhere send what they read, and small pictures to look at."""

    kind = "camera"
    frame_age_s = 0.5

    def __init__(self) -> None:
        self._picture: bytes | None = None

    def show(self, picture: bytes) -> None:
        """Take the newest small picture (JPEG) of whichever rig sees a card."""
        self._picture = picture

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        raise NoPicture("No camera here: the rigs read the marks by themselves.")

    def frame(self) -> Pixels:
        if self._picture is None:
            raise NoPicture("No rig has sent a picture yet: is it switched on, does it know the access code?")
        pixels = cv2.imdecode(np.frombuffer(self._picture, np.uint8), cv2.IMREAD_COLOR)
        if pixels is None:
            raise NoPicture("The rig's picture cannot be read.")
        return np.asarray(pixels, np.uint8)

    def shot(self) -> Shot:
        raise NoPicture("The rig reads the mark by itself: wait a moment.")


class PracticeSource:
    """A laser in numbers, with a camera and a hand of its own; its truth never leaves it."""

    kind = "practice"
    frame_age_s = 0.5

    def __init__(self, machine: PracticeMachine | None = None) -> None:
        self._lock = threading.RLock()
        self._looked_through: PracticeCamera | None = None
        self._use(machine or PracticeMachine(secrets.randbelow(1_000_000)))

    def machine(self) -> dict[str, Any] | None:
        return profile_as_json(self.laser.profile)

    def frame(self) -> Pixels:
        with self._lock:
            return self._newest()

    @property
    def problem(self) -> str | None:
        return None

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        camera = self._camera
        if camera is not self._looked_through:
            self._looked_through, newer_than = camera, -1
        try:
            return camera.newest(newer_than=newer_than, timeout_s=timeout_s)
        except (RuntimeError, TimeoutError) as error:
            raise NoPicture(str(error)) from error

    def set_pace(self, frames_per_s: float) -> None:
        """Frames are drawn when somebody asks."""

    def hold_light(self, hold: bool) -> None:
        """The practice light never changes."""

    def hang(self, place: Place) -> None:
        with self._lock:
            self.laser.hang(place.station)
            self.laser.move_head(place.head_mm)
            self.laser.fresh_card()

    def shot(self) -> Shot:
        with self._lock:
            before = self._newest()
            self.laser.pulse()
            return Shot(self._newest(), before)

    def taken(self, after: Pixels) -> None:
        """The next shot takes its own picture from before."""

    def turn(self, mount: int, screw: str, turns: float) -> None:
        with self._lock:
            self.laser.turn(mount, screw, turns)

    def ease(self, mount: int, screw: str, turns: float) -> None:
        """Turn by exactly so much while the laser marks a film that fades."""
        with self._lock:
            self.laser.ease(mount, screw, turns)
            self.laser.glow()

    def shift(self, part: str, move_mm: list[float]) -> None:
        with self._lock:
            x_mm, y_mm, z_mm = move_mm
            self.laser.shift(part, (x_mm, y_mm, z_mm))

    def inspected(self, cause: str, outcome: str) -> None:
        """The practice machine has no faults but its screws and mounts."""

    def renew(self, options: dict[str, Any]) -> None:
        seed = int(options.get("seed", secrets.randbelow(1_000_000)))
        severity: Severity = "rebuilt" if options.get("severity") == "rebuilt" else "drifted"
        corner: Corner = "back-right" if options.get("corner") == "back-right" else "back-left"
        self._use(PracticeMachine(seed, default_profile(corner), severity=severity))

    def to_json(self) -> dict[str, Any]:
        with self._lock:
            return self.laser.to_json()

    def restore(self, data: dict[str, Any]) -> None:
        self._use(PracticeMachine.from_json(data))

    def close(self) -> None:
        self._camera.stop()

    def _newest(self) -> Pixels:
        # drawn anew whenever the machine has changed since the last frame
        return self._camera.newest().pixels

    def _use(self, machine: PracticeMachine) -> None:
        with self._lock:
            self.laser = machine
            self._camera = PracticeCamera(machine)
            self._camera.start()


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
