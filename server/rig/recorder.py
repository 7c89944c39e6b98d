"""Record the frames around each pulse and the actions between, so that an alignment can be replayed.

A recording is a folder: JPEG pictures, PNG pictures in ``shots``, and ``recording.jsonl`` with one line for
each picture (``picture``, ``time_s``, ``number``) and each action (``did``), in order. ``time_s`` is
monotonic. The two pictures that a mark was read from are kept without loss and named beside its action
(``shot``), so that a replay reads the same mark.
"""

from __future__ import annotations

import json
import shutil
import threading
from collections import deque
from pathlib import Path
from typing import Any, TextIO

from firmware import FrameLike
from server.log import Json
from server.sources.base import Pixels, Shot, as_jpeg, as_png
from vision import Moment

__all__ = ["INDEX", "SHOTS", "Recorder"]

INDEX, SHOTS = "recording.jsonl", "shots"
BEFORE_FRAMES, AFTER_FRAMES = 8, 15
LEAST_FREE_BYTES = 200_000_000
_INTERESTING = ("card found", "pulse seen", "mark settled", "no mark")


class Recorder:
    """Gets every frame (``keep``) and every action (``note``), and writes those that matter.

    Makes the folder, or continues the recording in it. Raises OSError if it cannot be written at the start;
    later, a full or broken disk ends the recording, and ``ended`` says why.
    """

    def __init__(self, folder: Path, *, free_bytes: Any = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._free_bytes = free_bytes or (lambda: shutil.disk_usage(folder).free)
        self._index: TextIO = (folder / INDEX).open("a", encoding="utf-8")
        (folder / SHOTS).mkdir(exist_ok=True)
        self._written, self._shots = _count(folder, "*.jpg"), _count(folder / SHOTS, "*.png")
        self._waiting: deque[FrameLike] = deque(maxlen=BEFORE_FRAMES)
        self._wanted = 0
        self._lock = threading.Lock()
        self.ended: str | None = None

    def keep(self, frame: FrameLike, moment: Moment | None) -> None:
        """Take a frame; it is written if something happens in it, or shortly before or after it."""
        with self._lock:
            self._waiting.append(frame)
            if moment is not None and any(event in _INTERESTING for event in moment.events):
                self._wanted = AFTER_FRAMES
            if self._wanted:
                self._wanted -= 1
                self._write_waiting()

    def note(self, action: Json) -> None:
        """Write an action (hang, event, restart) and the frames around it."""
        with self._lock:
            self._write_waiting()
            self._wanted = AFTER_FRAMES
            shot = action.get("shot")
            fields = {key: value for key, value in action.items() if key != "shot"}
            self._line({"did": fields} if shot is None else {"did": fields, "shot": self._shot(shot)})

    def close(self) -> None:
        """End the recording."""
        with self._lock:
            self._index.close()
            self.ended = self.ended or "the recording has ended"

    def _write_waiting(self) -> None:
        while self._waiting:
            self._picture(self._waiting.popleft())

    def _picture(self, frame: FrameLike) -> None:
        name = f"{self._written:06d}.jpg"
        if not self._full() and self._file(name, as_jpeg(frame.pixels, quality=95)):
            self._written += 1
            self._line({"picture": name, "time_s": round(frame.time_s, 6), "number": frame.number})

    def _full(self) -> bool:
        if self.ended is None and self._written % 50 == 0 and self._free_bytes() < LEAST_FREE_BYTES:
            self.ended = "the disk is nearly full: the recording has ended"
        return self.ended is not None

    def _file(self, name: str, content: bytes) -> bool:
        try:
            (self.folder / name).write_bytes(content)
        except OSError as error:
            self.ended = f"the recording has ended: {error.strerror}"
        return self.ended is None

    def _shot(self, shot: Shot) -> Json:
        """Write both pictures and return their names; None where there is none or it could not be written."""
        return {"before": self._whole(shot.before), "after": self._whole(shot.after)}

    def _whole(self, pixels: Pixels | None) -> str | None:
        if pixels is None or self._full():
            return None
        self._shots += 1
        name = f"{SHOTS}/{self._shots:06d}.png"
        return name if self._file(name, as_png(pixels)) else None

    def _line(self, content: Json) -> None:
        if self.ended is not None:
            return
        try:
            self._index.write(json.dumps(content) + "\n")
            self._index.flush()
        except OSError as error:
            self.ended = f"the recording has ended: {error.strerror}"


def _count(folder: Path, pattern: str) -> int:
    return sum(1 for _ in folder.glob(pattern))
