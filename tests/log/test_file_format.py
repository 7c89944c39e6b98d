"""Rows are read from any bytes: what cannot be a record is skipped, and nothing runs for ever."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from server.log._file_format import (
    _as_varint,
    _before,
    _decoded,
    _kind_of,
    _size_of,
    _varint,
    committed_frames,
    rows_in,
)

UUID = "0f8fad5b-d9cb-469f-a165-70867728950e"
LARGEST = 2**63 - 1


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A database of small pages, many of them free again, with rows that overflow theirs."""
    made = tmp_path / "rows.db"
    with closing(sqlite3.connect(made)) as db:
        db.execute("PRAGMA page_size = 1024")
        with db:
            db.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, uuid TEXT, text TEXT, a, b, c, d, e, f)")
            rows = [(n, UUID, "x" * (n * 37 % 4200), n / 3, n, -n, 0, 1, b"b") for n in range(1, 300)]
            last = (LARGEST, UUID, "last", *[None] * 6)
            db.executemany("INSERT INTO t VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", [*rows, last])
        with db:
            db.execute("DELETE FROM t WHERE id BETWEEN 50 AND 299")
    return made


def kept(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT * FROM t ORDER BY id").fetchall()


def live(path: Path) -> list[tuple[object, ...]]:
    return sorted((row.rowid, *row.values[1:]) for row in rows_in(path) if row.live)


def test_outside_rows_on_freed_pages_do_not_count(path: Path) -> None:
    """The reference is SQLite itself."""
    assert live(path) == kept(path)
    assert len(kept(path)) == 50


def test_an_empty_file_has_no_rows(tmp_path: Path) -> None:
    (tmp_path / "empty.db").touch()
    assert list(rows_in(tmp_path / "empty.db")) == []


def change(path: Path, at: int, content: bytes) -> None:
    whole = bytearray(path.read_bytes())
    whole[at : at + len(content)] = content
    path.write_bytes(whole)


def trunk(path: Path) -> int:
    """Where the first page of the list of free pages begins; section 1.5 of the format."""
    return (int.from_bytes(path.read_bytes()[32:36], "big") - 1) * 1024


def test_a_list_of_free_pages_that_leads_to_itself_ends(path: Path) -> None:
    change(path, trunk(path), (trunk(path) // 1024 + 1).to_bytes(4, "big"))
    assert live(path) == kept(path)


@pytest.mark.parametrize("count", [2**32 - 1, 255])
def test_a_list_of_free_pages_is_no_longer_than_its_page(path: Path, count: int) -> None:
    before = kept(path)
    change(path, trunk(path) + 4, count.to_bytes(4, "big"))
    assert [row[0] for row in live(path)][-1:] == [LARGEST]
    assert {row[0] for row in live(path)} <= {row[0] for row in before}


def test_a_page_with_more_cells_than_it_holds_has_no_live_ones(path: Path) -> None:
    content = path.read_bytes()
    leaf = next(at for at in range(1024, len(content), 1024) if content[at] == 0x0D)
    before = {row.rowid for row in rows_in(path)}
    change(path, leaf + 3, b"\xff\xff")
    found = list(rows_in(path))
    assert {row.rowid for row in found} == before
    assert sum(row.live for row in found) < 50


@pytest.mark.parametrize("seed", range(20))
def test_no_bytes_stop_the_reading(path: Path, seed: int) -> None:
    draw = random.Random(seed)
    whole = bytearray(path.read_bytes())
    for _ in range(300):
        page = draw.randrange(len(whole) // 1024) * 1024
        place = page + draw.choice((draw.randrange(12), draw.randrange(1024)))
        whole[place] = draw.choice((0, 0x7F, 0xFF, draw.randrange(256)))
    path.write_bytes(whole)
    assert all(len(row.values) >= 2 for row in rows_in(path))


def test_what_no_record_can_be_is_refused() -> None:
    """Section 2.1: serial types 10 and 11 are for internal use; a body is as long as its types say."""
    for kind in (10, 11):
        with pytest.raises(ValueError):
            _size_of(kind)
    assert _decoded([1, 8, 9, 0, 17], b"\xffab") == (-1, 0, 1, None, "ab")
    for body in (b"\xffa", b"\xffabc"):
        with pytest.raises(ValueError):
            _decoded([1, 17], body)
    with pytest.raises(ValueError):
        _before(bytes(20), 12, 5)
    assert _varint(b"\xff" * 9, 0) == (2**64 - 1, 9)
    with pytest.raises(IndexError):
        _varint(b"\xff" * 3, 0)


NUMBERS = [
    0,
    1,
    -1,
    2,
    127,
    -128,
    128,
    2**15 - 1,
    -(2**15),
    2**23 - 1,
    2**23,
    2**31,
    2**47 - 1,
    2**47,
    -(2**63),
]


def written(path: Path, page_size: int, mode: str) -> sqlite3.Connection:
    """A database of all kinds of values, with rows as long as a page, a little more and a little less."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute(f"PRAGMA page_size = {page_size}")
    db.execute(f"PRAGMA journal_mode = {mode}")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    db.execute("PRAGMA synchronous = OFF")
    db.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, uuid TEXT, text TEXT, a, b, c, d, e, f)")
    lengths = [
        0,
        1,
        2,
        *(page_size * n // 4 + more for n in (1, 2, 3, 4, 8, 9) for more in range(-70, 10, 9)),
    ]
    row = (UUID, "", 0.5, -1e300, b"", b"odd", None, 1)
    for number, length in enumerate(lengths, start=1):
        db.execute(
            "INSERT INTO t VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (number, row[0], "x" * length, *row[2:])
        )
    for number, value in enumerate(NUMBERS, start=2**40):
        db.execute("INSERT INTO t VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (number, *row[:2], value, *row[3:]))
    return db


@pytest.mark.parametrize(
    ("page_size", "mode"),
    [(512, "DELETE"), (1024, "DELETE"), (4096, "DELETE"), (65536, "DELETE"), (512, "WAL"), (1024, "WAL")],
)
def test_outside_each_value_is_read_as_sqlite_wrote_it(tmp_path: Path, page_size: int, mode: str) -> None:
    """The reference is SQLite itself, in the file and in its write-ahead log."""
    path = tmp_path / "values.db"
    with closing(written(path, page_size, mode)) as db:
        rows = db.execute("SELECT * FROM t ORDER BY id").fetchall()
        assert path.with_name("values.db-wal").exists() == (mode == "WAL")
        assert live(path) == rows
        if mode == "WAL":
            wal = path.with_name("values.db-wal").read_bytes()
            frames = (len(wal) - 32) // (24 + page_size)
            assert committed_frames(wal) == (frames, 0)
            begun = db.execute("BEGIN")
            begun.execute("UPDATE t SET text = 'other'")  # not committed: as it was
            assert live(path) == rows
            db.execute("ROLLBACK")
            half = 32 + (24 + page_size) * (frames // 2)
            spoilt = wal[: half + 100] + bytes([wal[half + 100] ^ 1]) + wal[half + 101 :]
            assert committed_frames(spoilt)[0] == frames // 2
            assert committed_frames(spoilt)[1] > 10


@pytest.mark.parametrize(
    ("size", "spare", "kind"),
    [
        (512, 0, (512, 0)),
        (512, 32, (4096, 0)),  # less than 480 bytes of use
        (512, 33, (4096, 0)),
        (512, 31, (512, 31)),
        (4096, 8, (4096, 8)),
        (32768, 0, (32768, 0)),
        (1, 0, (65536, 0)),
        (256, 0, (4096, 0)),
        (3000, 0, (4096, 0)),
        (0, 0, (4096, 0)),
    ],
)
def test_the_head_tells_the_size_of_a_page(size: int, spare: int, kind: tuple[int, int]) -> None:
    """Section 1.3.2: a power of two from 512, and 1 for 65536; of reserved bytes 480 must be left."""
    head = bytearray(100)
    head[16:18], head[20] = size.to_bytes(2, "big"), spare
    assert _kind_of(bytes(head)) == kind
    assert _kind_of(bytes(head[:99])) == (4096, 0)


@pytest.mark.parametrize("value", [0, 1, 127, 128, 2**14 - 1, 2**14, 2**35, 2**56 - 1])
def test_a_variable_length_number_is_read_as_it_is_written(value: int) -> None:
    """Section 1.6: seven bits in each byte, the highest first, the last without its top bit."""
    data = _as_varint(value)
    assert len(data) == max(1, -(-value.bit_length() // 7))
    assert _varint(b"??" + data + b"?", 2) == (value, 2 + len(data))
