"""Freed memory goes back to the system, if glibc is set to do so."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

# after a block of 8 MB was freed, glibc takes all smaller ones from the heap, unless it was told otherwise
SCRIPT = """
import ctypes, sys
from firmware.memory_trim import keep_lean
class Info(ctypes.Structure):  # mallinfo2(3), glibc 2.33
    _fields_ = [(f"field_{i}", ctypes.c_size_t) for i in range(10)]
mallinfo = ctypes.CDLL(None).mallinfo2
mallinfo.restype = Info
assert sys.argv[1] == "free" or keep_lean()
bytearray(8_000_000)
before = mallinfo().field_4  # bytes mapped apart
pictures = [bytearray(1_000_000) for _ in range(4)]
print(mallinfo().field_4 - before)
"""


def apart_bytes(how: str) -> int:
    run = subprocess.run([sys.executable, "-c", SCRIPT, how], capture_output=True, check=True, text=True)
    return int(run.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only for glibc")
def test_pictures_lie_apart_and_so_go_back_when_freed() -> None:
    assert apart_bytes("free") < 1_000_000
    assert apart_bytes("flat") >= 4_000_000
