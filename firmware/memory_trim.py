"""Memory that stays small and flat for months: large blocks go back to the system when they are freed.

By default glibc keeps up to eight heaps per core for a program with many threads (``M_ARENA_MAX`` in
mallopt(3)). Once a picture was freed, the next ones of that size come from those heaps (``M_MMAP_THRESHOLD``
moves up by itself), so each heap stays as large as it ever was.
"""

from __future__ import annotations

import ctypes
import sys

__all__ = ["keep_lean"]

# Parameters of mallopt(3), glibc's malloc.h.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_HEAPS, _APART_BYTES = 1, 512 * 1024


def keep_lean() -> bool:
    """Map large blocks separately and give them back when freed; returns whether this system can do so."""
    if sys.platform != "linux":
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except AttributeError:  # another C library than glibc
        return False
    wanted = {_ARENA_MAX: _HEAPS, _MMAP_THRESHOLD: _APART_BYTES, _TRIM_THRESHOLD: _APART_BYTES}
    answers = [mallopt(parameter, value) for parameter, value in wanted.items()]
    return all(answers)
