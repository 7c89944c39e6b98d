"""Frames in memory that two processes share: a ring of three slots, each guarded by its frame's number."""

from __future__ import annotations

from multiprocessing.shared_memory import SharedMemory

import numpy as np

from firmware.camera import FrameLike, Pixels

__all__ = ["FrameRing"]

_SLOTS = 3
_HEAD = 16  # bytes before each slot's pixels: the number when writing began, the number when it ended


class FrameRing:
    """``write`` in one process, ``read`` in another; whoever was made with ``name=None`` owns the memory."""

    def __init__(self, *, name: str | None = None, slot_bytes: int = 16_000_000) -> None:
        self._owner = name is None
        size = _SLOTS * (slot_bytes + _HEAD)
        self._memory = SharedMemory(name=name, create=name is None, size=size if name is None else 0)
        self._slot_bytes = slot_bytes
        self.name = self._memory.name

    def write(self, frame: FrameLike) -> None:
        """Put the frame into its slot; raise ValueError where it is larger than a slot."""
        pixels = np.ascontiguousarray(frame.pixels)
        if pixels.nbytes > self._slot_bytes:
            raise ValueError(f"a picture of {pixels.nbytes} bytes is larger than {self._slot_bytes}")
        guard, room = self._slot(frame.number)
        guard[0] = frame.number
        room[: pixels.nbytes] = pixels.reshape(-1)
        guard[1] = frame.number

    def read(self, number: int, shape: tuple[int, int, int]) -> Pixels | None:
        """Return a copy of that frame's pixels, or None where a newer one has already overwritten it."""
        guard, room = self._slot(number)
        if guard[1] != number:
            return None
        pixels = room[: int(np.prod(shape))].reshape(shape).copy()
        return pixels if guard[0] == number else None

    def close(self) -> None:
        """Let go of the memory; the owner also removes it."""
        self._memory.close()
        if self._owner:
            self._memory.unlink()

    def _slot(self, number: int) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Pixels]:
        at = (number % _SLOTS) * (self._slot_bytes + _HEAD)
        memory = self._memory.buf
        assert memory is not None
        guard = np.frombuffer(memory, np.int64, 2, at)
        room = np.frombuffer(memory, np.uint8, self._slot_bytes, at + _HEAD)
        return guard, room
