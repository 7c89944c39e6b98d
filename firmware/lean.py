"""Keeps a program small that handles pictures for days: large blocks go back to the system when freed."""

from __future__ import annotations

import ctypes

__all__ = ["keep_lean"]

# Parameters of mallopt(3), glibc's malloc.h.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_PICTURE_BYTES = 1_000_000


def keep_lean() -> bool:
    """Tell the C library's allocator so, where it is one that can be told; returns whether it was.

    Left alone it raises its own threshold after the first picture and keeps as many arenas as there are
    threads; each then holds pictures that are long gone.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    wanted = {_MMAP_THRESHOLD: _PICTURE_BYTES, _TRIM_THRESHOLD: _PICTURE_BYTES, _ARENA_MAX: 1}
    answers = [mallopt(parameter, value) for parameter, value in wanted.items()]
    return all(answer == 1 for answer in answers)
