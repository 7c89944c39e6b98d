"""Rows are read from any bytes: what no record can be is passed over, and nothing runs on for ever."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from server.log._file_format import _before, _decoded, _size_of, _varint, rows_in

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
