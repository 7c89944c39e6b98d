"""Read rows from a damaged database file without SQLite, which refuses the whole file.

Format: https://www.sqlite.org/fileformat2.html (sections 1.6, 2.1 and 4). No page, pointer or tree is
trusted: the record of each of our rows begins with an empty id and a uuid of 36 letters, and these bytes are
searched for everywhere. The row's checksum tells whether it is sound.
"""

from __future__ import annotations

import mmap
import re
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_USUAL_PAGE = 4096
_HEAD = re.compile(rb"[\x09-\x7f]\x00\x55")  # bytes of this head, then id: NULL, uuid: 36 bytes of text
_SIZES = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}
_LONGEST = 1 << 30
_WAL_HEAD, _FRAME_HEAD = 32, 24

Values = tuple[Any, ...]


@dataclass(frozen=True)
class Found:
    """One record: its row's number, its values, and whether the database still counted it as there."""

    rowid: int
    values: Values
    live: bool


def rows_in(path: Path) -> Iterator[Found]:
    """Yield each of our records in that file and in its write-ahead log; raises OSError."""
    with path.open("rb") as file:
        if not file.seek(0, 2):
            return
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            kinds = {_kind_of(content[:100]), (_USUAL_PAGE, 0)}
            files = [_Pages(content, _wal_of(path), *kind) for kind in sorted(kinds)]
            best = max(files, key=_sample)
            for number in range(1, best.count + 1):
                yield from best.records(number)


def _kind_of(head: bytes) -> tuple[int, int]:
    """Return the page size, and the reserved bytes of each page, from the file's head."""
    size = int.from_bytes(head[16:18], "big")
    size = 65536 if size == 1 else size
    possible = size in (1 << n for n in range(9, 17)) and len(head) == 100
    return (size, head[20]) if possible and head[20] < size - 480 else (_USUAL_PAGE, 0)


def _sample(pages: _Pages) -> int:
    """Return how many records there are in a sample of the pages (in all if the file is small)."""
    step = max(1, pages.count // 500)
    return sum(len(list(pages.records(number))) for number in range(1, pages.count + 1, step))


class _Pages:
    """The pages of a database as they were last committed."""

    def __init__(self, content: mmap.mmap, wal: dict[int, dict[int, bytes]], size: int, spare: int) -> None:
        self._content, self._newer = content, wal.get(size, {})
        self._size, self._usable = size, size - spare
        self.count = max([-(-len(content) // size), *self._newer])
        self._free = self._free_pages()

    def page(self, number: int) -> bytes:
        return self._newer.get(number) or self._content[(number - 1) * self._size : number * self._size]

    def records(self, number: int) -> Iterator[Found]:
        page = self.page(number)
        live = frozenset() if number in self._free else _cells(page, 100 if number == 1 else 0)
        for head in _HEAD.finditer(page):
            with suppress(ValueError, IndexError, struct.error):
                start, rowid, values = self._record(page, head.start())
                yield Found(rowid, values, start in live)

    def _record(self, page: bytes, at: int) -> tuple[int, int, Values]:
        """Return, for the record that begins ``at``, where its cell begins, the row's number, its values."""
        end_of_head = at + page[at]
        kinds, place = [], at + 1
        while place < end_of_head:
            kind, place = _varint(page, place)
            kinds.append(kind)
        if place != end_of_head:
            raise ValueError
        length = page[at] + sum(map(_size_of, kinds))
        start, rowid = _before(page, at, length)
        return start, rowid, _decoded(kinds, self._payload(page, at, length)[page[at] :])

    def _payload(self, page: bytes, at: int, length: int) -> bytes:
        here = self._local(length)
        data = page[at : at + here]
        if here == length:
            return data
        parts, after = [data], page[at + here : at + here + 4]
        left, seen = length - here, set[int]()
        while left > 0:
            number = int.from_bytes(after, "big")
            if number in seen or not 0 < number <= self.count:
                raise ValueError
            seen.add(number)
            page = self.page(number)
            after, part = page[:4], page[4 : min(self._usable, 4 + left)]
            parts.append(part)
            left -= self._usable - 4
        return b"".join(parts)

    def _local(self, length: int) -> int:
        """Return how many bytes of a record are on its cell's page; the rest overflows."""
        if length > _LONGEST:
            raise ValueError
        most, least = self._usable - 35, (self._usable - 12) * 32 // 255 - 23
        if length <= most:
            return length
        here = least + (length - least) % (self._usable - 4)
        return here if here <= most else least

    def _free_pages(self) -> set[int]:
        """Return the pages that SQLite has freed; their old content may still be there."""
        free, trunk = set[int](), int.from_bytes(self.page(1)[32:36], "big")
        while 0 < trunk <= self.count and trunk not in free:
            page = self.page(trunk)
            count = min(int.from_bytes(page[4:8], "big"), len(page) // 4 - 2)
            free |= {trunk, *struct.unpack_from(f">{count}I", page, 8)}
            trunk = int.from_bytes(page[:4], "big")
        return free


def _cells(page: bytes, start: int) -> frozenset[int]:
    """Return where the cells of a table's leaf page begin, according to the page."""
    if len(page) < start + 8 or page[start] != 0x0D:
        return frozenset()
    count = int.from_bytes(page[start + 3 : start + 5], "big")
    if start + 8 + 2 * count > len(page):
        return frozenset()
    return frozenset(struct.unpack_from(f">{count}H", page, start + 8))


def _before(page: bytes, at: int, length: int) -> tuple[int, int]:
    """Where the cell begins (its length, then its row's number, then the record ``at``), and that number."""
    sign = _as_varint(length)
    for size in range(1, 10):
        start = at - size - len(sign)
        if start >= 0 and page[start : start + len(sign)] == sign:
            rowid, end = _varint(page, at - size)
            if end == at:
                return start, rowid
    raise ValueError


def _varint(page: bytes, at: int) -> tuple[int, int]:
    value = 0
    for place in range(at, at + 8):
        value = value << 7 | page[place] & 0x7F
        if page[place] < 0x80:
            return value, place + 1
    return value << 8 | page[at + 8], at + 9


def _as_varint(value: int) -> bytes:
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(value & 0x7F | 0x80)
    return bytes(reversed(parts))


def _size_of(kind: int) -> int:
    if kind in (10, 11):
        raise ValueError
    return _SIZES[kind] if kind < 12 else (kind - 12) // 2


def _decoded(kinds: list[int], body: bytes) -> Values:
    values, at = [], 0
    for kind in kinds:
        size = _size_of(kind)
        values.append(_value(kind, body[at : at + size]))
        at += size
    if at != len(body):
        raise ValueError
    return tuple(values)


def _value(kind: int, data: bytes) -> Any:
    if kind >= 12:
        return data.decode("utf-8", "surrogateescape") if kind % 2 else data
    if kind == 7:
        return struct.unpack(">d", data)[0]
    return {0: None, 8: 0, 9: 1}.get(kind) if kind in (0, 8, 9) else int.from_bytes(data, "big", signed=True)


def _frames(data: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield page size, head and page of each frame of a write-ahead log, without those of an older log."""
    size = int.from_bytes(data[8:12], "big")
    if len(data) < _WAL_HEAD or size not in (1 << n for n in range(9, 17)):
        return
    salt = data[_WAL_HEAD + 8 : _WAL_HEAD + 16]  # of the first frame: the log's own head may be damaged
    for at in range(_WAL_HEAD, len(data) - _FRAME_HEAD - size + 1, _FRAME_HEAD + size):
        head = data[at : at + _FRAME_HEAD]
        if head[8:16] == salt:
            yield size, head, data[at + _FRAME_HEAD : at + _FRAME_HEAD + size]


def _wal_of(path: Path) -> dict[int, dict[int, bytes]]:
    """Size of a page → its number → its newest committed content, from the write-ahead log (if any)."""
    try:
        data = path.with_name(path.name + "-wal").read_bytes()
    except OSError:
        return {}
    committed, open_ = dict[int, dict[int, bytes]](), dict[int, bytes]()
    for size, head, page in _frames(data):
        open_[int.from_bytes(head[:4], "big")] = page
        if any(head[4:8]):
            committed[size] = committed.get(size, {}) | open_
            open_ = {}
    return committed


def committed_frames(data: bytes) -> tuple[int, int]:
    """Return how many frames of a write-ahead log SQLite would use, and how many commits come after them.

    Each frame's checksum continues that of the frame before, so SQLite stops at the first damaged one.
    """
    order = "<" if int.from_bytes(data[:4], "big") == 0x377F0682 else ">"
    sums = _wal_sum(data[:24], (0, 0), order)
    whole, good, later = 0, sums == struct.unpack(">2I", data[24:32].ljust(8, b"\0")), 0
    for _, head, page in _frames(data):
        if good:
            sums = _wal_sum(head[:8] + page, sums, order)
            good = sums == struct.unpack(">2I", head[16:24])
        whole += good
        later += not good and any(head[4:8])
    return whole, later


def _wal_sum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    """The checksum of section 4.2: 32-bit words in the order of the machine that wrote them."""
    one, two = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data[: len(data) // 4 * 4])
    for first, second in zip(words[::2], words[1::2], strict=True):
        one = (one + first + two) & 0xFFFFFFFF
        two = (two + second + one) & 0xFFFFFFFF
    return one, two
