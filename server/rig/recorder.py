"""Keeps the frames around each pulse, and what was done between, so that an alignment can be played again.

A recording is a folder: JPEG pictures, and ``recording.jsonl`` with one line for each picture (``picture``,
``time_s``, ``number``) and each deed (``did``), in the order in which they happened. ``time_s`` is monotonic.
"""

from __future__ import annotations

import json
import shutil
import threading
from collections import deque
from pathlib import Path
from typing import Any, TextIO

from firmware import FrameLike
from server.sources.base import as_jpeg
from vision import Moment

__all__ = ["INDEX", "Recorder"]

Json = dict[str, Any]
INDEX = "recording.jsonl"
BEFORE_FRAMES, AFTER_FRAMES = 8, 15
LEAST_FREE_BYTES = 200_000_000
_INTERESTING = ("card found", "pulse seen", "mark settled", "no mark")


class Recorder:
    """Given every frame (``keep``) and every deed (``note``), it writes those that matter.

    The folder is made; one that holds a recording already is carried on. Raises OSError where it cannot be
    written at the start; later a full or broken disk ends the recording, and ``ended`` says why.
    """

    def __init__(self, folder: Path, *, free_bytes: Any = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._free_bytes = free_bytes or (lambda: shutil.disk_usage(folder).free)
        self._index: TextIO = (folder / INDEX).open("a", encoding="utf-8")
        self._written = sum(1 for _ in folder.glob("*.jpg"))
        self._waiting: deque[FrameLike] = deque(maxlen=BEFORE_FRAMES)
        self._wanted = 0
        self._lock = threading.Lock()
        self.ended: str | None = None

    def keep(self, frame: FrameLike, moment: Moment | None) -> None:
        """Take a frame; it is written if something happens in it, shortly before or shortly after."""
        with self._lock:
            self._waiting.append(frame)
            if moment is not None and any(event in _INTERESTING for event in moment.events):
                self._wanted = AFTER_FRAMES
            if self._wanted:
                self._wanted -= 1
                self._write_waiting()

    def note(self, deed: Json) -> None:
        """Take a deed: hang, event, restart; the frames around it are kept too."""
        with self._lock:
            self._write_waiting()
            self._wanted = AFTER_FRAMES
            self._line({"did": deed})

    def close(self) -> None:
        """Write no more."""
        with self._lock:
            self._index.close()
            self.ended = self.ended or "the recording has ended"

    def _write_waiting(self) -> None:
        while self._waiting:
            self._picture(self._waiting.popleft())

    def _picture(self, frame: FrameLike) -> None:
        if self.ended is None and self._written % 50 == 0 and self._free_bytes() < LEAST_FREE_BYTES:
            self.ended = "the disk is nearly full: the recording has ended"
        if self.ended is not None:
            return
        name = f"{self._written:06d}.jpg"
        try:
            (self.folder / name).write_bytes(as_jpeg(frame.pixels, quality=95))
        except OSError as error:
            self.ended = f"the recording has ended: {error.strerror}"
            return
        self._written += 1
        self._line({"picture": name, "time_s": round(frame.time_s, 6), "number": frame.number})

    def _line(self, content: Json) -> None:
        if self.ended is not None:
            return
        try:
            self._index.write(json.dumps(content) + "\n")
            self._index.flush()
        except OSError as error:
            self.ended = f"the recording has ended: {error.strerror}"
