"""A recording played back as a camera: a folder of pictures, or a video file, on a clock of its own."""

from __future__ import annotations

import json
import time
from bisect import bisect_right
from collections.abc import Callable
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np

from firmware.camera.base import Frame, Pixels, PlainCamera
from firmware.errors import CameraNotStarted, CameraTimeout, ReplayRefused

__all__ = ["FolderCamera"]

_PICTURES = {".jpg", ".jpeg", ".png"}
_VIDEOS = {".avi", ".mkv", ".mov", ".mp4"}
_LONGEST_PAUSE_S = 1.0  # a longer pause between two pulses is shortened to this
_LARGEST_BYTES = 40_000_000
_HELD_S = 1 / 15  # how often a second the last picture is shown


class FolderCamera(PlainCamera):
    """Plays the pictures of a folder in the order of their names, or a video file.

    Frame number i is due i / frames_per_s after ``start``; its time_s is that instant, whatever the wall
    clock says. A folder with a ``recording.jsonl`` plays at the pace at which it was recorded, pauses
    shortened. At the end the last picture is shown again and again (``hold``), as a camera before a still
    card would, or CameraTimeout says that the recording is over.
    Raises ReplayRefused where there is nothing to play or a picture cannot be decoded.
    """

    kind = "replay"

    def __init__(
        self,
        source: Path,
        *,
        frames_per_s: float = 2.0,
        hold: bool = True,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._film = _open(Path(source))
        self._interval_s = 1.0 / frames_per_s
        self._hold = hold
        self._clock, self._sleep = clock, sleep
        self._began_s: float | None = None

    def start(self) -> None:
        if self._began_s is None:
            self._began_s = self._clock()

    def stop(self) -> None:
        self._began_s = None

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> Frame:
        """Return the frame that is due now, or wait for the first one above ``newer_than``."""
        if self._began_s is None:
            raise CameraNotStarted("the recording is not started")
        number = max(self._due(self._began_s), newer_than + 1)
        if not self._hold and number >= len(self._film):
            if newer_than + 1 >= len(self._film):
                raise CameraTimeout("the recording is over: start it again")
            number = len(self._film) - 1
        due_s = self._began_s + self._due_after_s(number)
        wait_s = due_s - self._clock()
        if wait_s > timeout_s:
            self._sleep(timeout_s)
            raise CameraTimeout(f"the next recorded picture is due in {wait_s - timeout_s:.1f} s")
        if wait_s > 0:
            self._sleep(wait_s)
        return Frame(self._film.picture(min(number, len(self._film) - 1)), due_s, number)

    def _due(self, began_s: float) -> int:
        # Slightly early counts as due: a sleep may end a rounding error before the instant.
        played_s = self._clock() - began_s + 1e-6 * self._interval_s
        times_s = self._film.times_s
        if times_s is None:
            return int(played_s / self._interval_s)
        if played_s < times_s[-1]:
            return bisect_right(times_s, played_s) - 1
        return len(times_s) - 1 + int((played_s - times_s[-1]) / _HELD_S)

    def _due_after_s(self, number: int) -> float:
        """Return when the frame of that number is due, in seconds after the start."""
        times_s = self._film.times_s
        if times_s is None:
            return number * self._interval_s
        over = number - (len(times_s) - 1)
        return times_s[number] if over <= 0 else times_s[-1] + over * _HELD_S


class _Film(Protocol):
    times_s: list[float] | None  # when each picture is due, from the first one on

    def __len__(self) -> int: ...
    def picture(self, index: int) -> Pixels: ...


def _open(source: Path) -> _Film:
    if source.is_dir():
        return _Folder(source)
    if source.suffix.lower() in _VIDEOS and source.is_file():
        return _Video(source)
    raise ReplayRefused(f"{source}: neither a folder of pictures nor a video ({', '.join(sorted(_VIDEOS))})")


class _Folder:
    def __init__(self, folder: Path) -> None:
        self._paths = sorted(p for p in folder.iterdir() if p.suffix.lower() in _PICTURES)
        if not self._paths:
            raise ReplayRefused(f"{folder}: no picture in it ({', '.join(sorted(_PICTURES))})")
        self.times_s = _recorded(folder / "recording.jsonl", {path.name for path in self._paths})

    def __len__(self) -> int:
        return len(self._paths)

    def picture(self, index: int) -> Pixels:
        path = self._paths[index]
        try:
            small = 0 < path.stat().st_size <= _LARGEST_BYTES
            pixels = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR) if small else None
        except (OSError, cv2.error):  # OpenCV's own limit of pixels, set for the camera's process
            pixels = None
        if pixels is None:
            raise ReplayRefused(f"{path.name}: not a picture, damaged or too large: take it out")
        return np.asarray(pixels, np.uint8)


def _recorded(index: Path, names: set[str]) -> list[float] | None:
    """Return when each picture of a recording is due, pauses shortened; None where there is no recording."""
    try:
        lines = [json.loads(line) for line in index.read_text("utf-8").splitlines() if line.endswith("}")]
        stamps_s = [float(line["time_s"]) for line in lines if line.get("picture") in names]
    except OSError:
        return None
    except (ValueError, TypeError, AttributeError):
        raise ReplayRefused(f"{index}: damaged: take it out of the folder") from None
    if len(stamps_s) != len(names):
        raise ReplayRefused(f"{index}: names other pictures than there are: take it out of the folder")
    pauses_s = (min(max(b - a, 0.0), _LONGEST_PAUSE_S) for a, b in pairwise(stamps_s))
    return list(accumulate(pauses_s, initial=0.0))


class _Video:
    def __init__(self, path: Path) -> None:
        self._path, self._reader, self._next = path, cv2.VideoCapture(str(path)), 0
        self._length = int(self._reader.get(cv2.CAP_PROP_FRAME_COUNT))
        if not self._reader.isOpened() or self._length < 1:
            raise ReplayRefused(f"{path.name}: not a video that can be played here")
        self._shown: Pixels | None = None
        self.times_s: list[float] | None = None

    def __len__(self) -> int:
        return self._length

    def picture(self, index: int) -> Pixels:
        if self._shown is None or index != self._next - 1:
            if index != self._next:
                self._reader.set(cv2.CAP_PROP_POS_FRAMES, index)
            good, pixels = self._reader.read()
            if not good:
                raise ReplayRefused(f"{self._path.name}: picture {index} of {self._length} is damaged")
            self._shown, self._next = np.asarray(pixels, np.uint8), index + 1
        return self._shown
