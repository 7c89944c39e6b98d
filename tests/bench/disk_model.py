"""A model of a disk that loses power: what may be left of a program's writes.

The program runs under strace(1), and its system calls are replayed onto the model. Everything synced is kept.
Of a write that was not synced, each sector is kept or lost at random. Of the renames and new names in a
folder that was not synced, the earliest ones are kept, a random number of them. This is about the worst that
POSIX allows a journaling file system to do (fsync(2); sector writes are assumed to be atomic, as in
https://www.sqlite.org/atomiccommit.html).
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

SECTOR = 512
_CALLS = "openat,write,pwrite64,fsync,fdatasync,ftruncate,rename,unlink,mkdir"
_LINE = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)(?:<.*>)?(?: .*)?$")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_FD = re.compile(r"^(\d+)<((?:\\x[0-9a-f]{2})*|[^>]*)>")


@dataclass(frozen=True)
class Call:
    """One system call that changed something: what, on which path, with which data."""

    name: str
    path: str
    other: str = ""
    data: bytes = b""
    offset: int = -1


def trace(words: list[str], log: Path, *, seconds: float) -> list[Call]:
    """Run a program under strace until it ends (or for so long); returns its calls in order."""
    command = ["strace", "-f", "-y", "-xx", "-s", "10000000", "-e", f"trace={_CALLS}", "-o", str(log), *words]
    try:
        subprocess.run(command, stdout=subprocess.DEVNULL, timeout=seconds, check=True)
    except FileNotFoundError:
        sys.exit("this measurement needs strace")
    return [call for line in log.read_text("ascii").splitlines() for call in _parse(line)]


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _parse(line: str) -> Iterator[Call]:
    match = _LINE.match(line)
    if match is None or match[3].startswith("-"):
        return
    name, arguments, result = match.groups()
    texts = [_bytes(text) for text in _TEXT.findall(arguments)]
    handle = _FD.match(arguments)
    path = _path(handle[2]) if handle else ""
    if name == "openat" and "O_CREAT" in arguments:
        yield Call("create", texts[-1].decode(), data=b"x" if "O_TRUNC" in arguments else b"")
    elif name == "write" and handle:
        yield Call("write", "stdout" if handle[1] == "1" else path, data=texts[-1][: int(result)])
    elif name == "pwrite64":
        yield Call("write", path, data=texts[-1][: int(result)], offset=int(arguments.rpartition(", ")[2], 0))
    elif name in ("fsync", "fdatasync"):
        yield Call("sync", path)
    elif name == "ftruncate":
        yield Call("truncate", path, offset=int(arguments.rpartition(", ")[2], 0))
    elif name in ("rename", "unlink", "mkdir"):
        yield Call(name, texts[0].decode(), other=texts[-1].decode())


def _path(text: str) -> str:
    return _bytes(text).decode() if text.startswith("\\x") else text


@dataclass
class _File:
    content: bytearray = field(default_factory=bytearray)  # on the disk for good
    pending: list[tuple[int, bytes | None]] = field(default_factory=list)  # None: cut off at the offset
    end: int = 0  # where the next plain write goes


class Disk:
    """The model: feed it calls, then ask what is left after a power cut."""

    def __init__(self, top: Path) -> None:
        self.top = str(top)
        self.files: list[_File] = []
        self.names: dict[str, int] = {}  # as the program sees it: path → index in files, -1 for a folder
        self.kept: dict[str, int] = {}  # as the disk has it
        self.changes: dict[str, list[tuple[str, str, int]]] = {}  # folder → changes of names not synced yet

    def apply(self, call: Call) -> None:
        """Apply one call."""
        if call.path.startswith(self.top):
            getattr(self, f"_{call.name}")(call)

    def _change(self, what: str, path: str, number: int) -> None:
        folder = path.rpartition("/")[0]
        self.changes.setdefault(folder, []).append((what, path, number))
        if what == "add":
            self.names[path] = number
        else:
            self.names.pop(path, None)

    def _create(self, call: Call) -> None:
        if call.path not in self.names:
            self.files.append(_File())
            self._change("add", call.path, len(self.files) - 1)
        elif call.data:
            self._truncate(Call("truncate", call.path, offset=0))

    def _mkdir(self, call: Call) -> None:
        self._change("add", call.path, -1)

    def _unlink(self, call: Call) -> None:
        self._change("remove", call.path, -1)

    def _rename(self, call: Call) -> None:
        number = self.names[call.path]
        self._change("remove", call.path, number)
        self._change("add", call.other, number)

    def _write(self, call: Call) -> None:
        file = self.files[self.names[call.path]]
        offset = file.end if call.offset < 0 else call.offset
        file.pending.append((offset, call.data))
        file.end = offset + len(call.data)

    def _truncate(self, call: Call) -> None:
        self.files[self.names[call.path]].pending.append((call.offset, None))

    def _sync(self, call: Call) -> None:
        number = self.names.get(call.path, -1)
        if call.path in self.changes:
            for change in self.changes.pop(call.path):
                _rename_kept(self.kept, change)
        if number >= 0:
            file = self.files[number]
            for offset, data in file.pending:
                _put(file.content, offset, data)
            file.pending.clear()

    def after_power_cut(self, rng: np.random.Generator, place: Path) -> None:
        """Write into ``place`` what may be left, drawn by ``rng``."""
        kept = dict(self.kept)
        for changes in self.changes.values():
            for change in changes[: rng.integers(0, len(changes) + 1)]:
                _rename_kept(kept, change)
        place.mkdir(parents=True, exist_ok=True)
        for path, number in kept.items():
            if number >= 0 and not path.endswith("-shm"):  # shared memory is made again
                target = place / path.removeprefix(self.top).lstrip("/")
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(_torn(self.files[number], rng))


def _rename_kept(kept: dict[str, int], change: tuple[str, str, int]) -> None:
    what, path, number = change
    if what == "add":
        kept[path] = number
    else:
        kept.pop(path, None)


def _put(content: bytearray, offset: int, data: bytes | None) -> None:
    if data is None:
        del content[offset:]
        content.extend(bytes(offset - len(content)))
        return
    content.extend(bytes(max(0, offset + len(data) - len(content))))
    content[offset : offset + len(data)] = data


def _torn(file: _File, rng: np.random.Generator) -> bytes:
    content = bytearray(file.content)
    chance = rng.choice([0.0, 0.2, 0.5, 0.8, 1.0])
    for offset, data in file.pending:
        if data is None:
            if rng.random() < chance:
                _put(content, offset, None)
            continue
        for start in range(0, len(data), SECTOR):
            if rng.random() < chance:
                _put(content, offset + start, data[start : start + SECTOR])
    return bytes(content)
