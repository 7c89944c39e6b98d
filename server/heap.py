"""Memory that stays flat over months: glibc is told to give freed pictures back to the system.

Left alone, it keeps up to eight heaps per core for a program with many threads (``M_ARENA_MAX``, mallopt(3)),
and once a picture was freed, the next ones come from those heaps (``M_MMAP_THRESHOLD`` moves up by itself):
each heap ends as large as its worst moment.
"""

from __future__ import annotations

import ctypes
import sys

__all__ = ["keep_flat"]

_ARENA_MAX, _MMAP_THRESHOLD = -8, -3  # of glibc's malloc.h
HEAPS, APART_BYTES = 2, 512 * 1024


def keep_flat() -> bool:
    """Let large blocks be mapped apart and given back when freed; returns whether this system can do so."""
    if sys.platform != "linux":
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except AttributeError:  # another C library than glibc
        return False
    return bool(mallopt(_ARENA_MAX, HEAPS)) and bool(mallopt(_MMAP_THRESHOLD, APART_BYTES))
