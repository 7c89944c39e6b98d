"""Frames in memory that two processes share: a ring of two slots, each guarded by its frame's number."""

from __future__ import annotations

import mmap
import os
import tempfile

import numpy as np

from firmware.camera.base import FrameLike, Pixels

__all__ = ["FrameRing"]

_SLOTS = 2  # one is read while the next is written; a slower reader misses a frame
_HEAD = 16  # bytes before each slot's pixels: the number when writing began, the number when it ended
_SLOT_BYTES = 16_000_000  # only pages that were written to take memory


class FrameRing:
    """``write`` in one process, ``read`` in another, on the memory behind one file descriptor.

    descriptor : of a ring made elsewhere, handed down to this process; None makes the memory, which is gone
    when the last process has let go of it, however it ended.
    """

    def __init__(self, descriptor: int | None = None, *, slot_bytes: int = _SLOT_BYTES) -> None:
        self._slot_bytes = slot_bytes
        self.descriptor = _new_memory(_SLOTS * (slot_bytes + _HEAD)) if descriptor is None else descriptor
        self._memory = mmap.mmap(self.descriptor, _SLOTS * (slot_bytes + _HEAD))

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
        """Let go of the memory."""
        self._memory.close()
        os.close(self.descriptor)

    def _slot(self, number: int) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Pixels]:
        at = (number % _SLOTS) * (self._slot_bytes + _HEAD)
        guard = np.frombuffer(self._memory, np.int64, 2, at)
        room = np.frombuffer(self._memory, np.uint8, self._slot_bytes, at + _HEAD)
        return guard, room


def _new_memory(size: int) -> int:
    """Return the descriptor of that many zero bytes, in memory without a name."""
    if hasattr(os, "memfd_create"):
        descriptor = os.memfd_create("frames")
    else:
        with tempfile.TemporaryFile() as file:
            descriptor = os.dup(file.fileno())
    os.ftruncate(descriptor, size)
    return descriptor
