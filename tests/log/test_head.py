"""The head of a database file, what a system's errors mean, and how a value becomes a cell."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

import pytest

from server.log import BadEntry, Damaged, Log, LogError, check, one_line
from server.log._database import FILE_NAME, _is_of_the_target, head_faults
from server.log._export import as_cell
from server.log._pictures import name_of
from server.log._prune import PictureRule
from server.log._text import as_text, as_value, moment, optional_text, stamp

FIELDS = [(0, 16), (16, 2), (18, 2), (21, 3), (44, 4), (52, 4), (56, 4), (64, 4)]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("log")
    Log(folder).close()
    return (folder / FILE_NAME).read_bytes()


@pytest.fixture
def path(sound: bytes, tmp_path: Path) -> Path:
    (tmp_path / FILE_NAME).write_bytes(sound)
    return tmp_path / FILE_NAME


def spoilt(path: Path, at: int, data: bytes) -> tuple[str, ...]:
    whole = bytearray(path.read_bytes())
    whole[at : at + len(data)] = data
    path.write_bytes(whole)
    return head_faults(path)


def test_a_sound_head_has_no_fault(path: Path) -> None:
    assert head_faults(path) == ()


@pytest.mark.parametrize(("field", "size"), FIELDS)
def test_each_field_of_the_head_is_looked_at(path: Path, field: int, size: int) -> None:
    """Section 1.3 of the file format; the first field that is wrong is named."""
    for at in {field, field + size - 1}:
        before = path.read_bytes()
        assert spoilt(path, at, bytes([before[at] ^ 0x44])) == (
            f"database: the head of the file is damaged (byte {field})",
        )
        path.write_bytes(before)


@pytest.mark.parametrize(("at", "value"), [(16, 512), (16, 1), (16, 32768), (18, 0x0101), (18, 0x0202)])
def test_what_may_stand_there_is_no_fault(path: Path, at: int, value: int) -> None:
    assert spoilt(path, at, value.to_bytes(2, "big")) == ()


@pytest.mark.parametrize(("at", "value"), [(16, 256), (16, 0x8001), (18, 0x0102), (44, 3), (56, 2), (52, 1)])
def test_what_may_not_is_one(path: Path, at: int, value: int) -> None:
    size = dict(FIELDS)[at]
    assert len(spoilt(path, at, value.to_bytes(size, "big"))) == 1


def test_a_file_of_a_head_alone_may_have_empty_fields(path: Path) -> None:
    """All but its head is still in the write-ahead log."""
    page = int.from_bytes(path.read_bytes()[16:18], "big")
    path.write_bytes(path.read_bytes()[:page])
    assert spoilt(path, 44, bytes(4)) == ()
    path.write_bytes(path.read_bytes() + b"\0")
    assert len(head_faults(path)) == 1


@pytest.mark.parametrize(
    ("code", "damaged", "words"),
    [
        (sqlite3.SQLITE_FULL, False, "the disk is full"),
        (sqlite3.SQLITE_IOERR | 3 << 8, False, "the disk fails"),
        (sqlite3.SQLITE_READONLY, False, "cannot be written to"),
        (sqlite3.SQLITE_PERM, False, "cannot be written to"),
        (sqlite3.SQLITE_CANTOPEN, False, "cannot be opened"),
        (sqlite3.SQLITE_BUSY, False, "another program holds the log"),
        (sqlite3.SQLITE_LOCKED, False, "another program holds the log"),
        (sqlite3.SQLITE_CORRUPT | 1 << 8, True, "is damaged"),
        (sqlite3.SQLITE_NOTADB, True, "is not a log"),
        (sqlite3.SQLITE_CONSTRAINT, False, "does not fit"),
        (sqlite3.SQLITE_TOOBIG, False, "too big"),
        (sqlite3.SQLITE_MISMATCH, False, "reports an error (told)"),
        (None, False, "told"),
    ],
)
def test_each_code_of_the_database_is_one_line_that_says_what_to_do(
    code: int | None, damaged: bool, words: str
) -> None:
    error = sqlite3.OperationalError("told")
    if code is not None:
        error.sqlite_errorcode = code
    with pytest.raises(LogError) as raised, one_line(Path("there")):
        raise error
    assert str(raised.value).startswith("there: ") and words in str(raised.value)
    assert isinstance(raised.value, Damaged) is damaged


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EDQUOT, "the disk is full"),
        (errno.EFBIG, "the disk is full"),
        (errno.EROFS, "cannot be written to"),
        (errno.EACCES, "cannot be written to"),
        (errno.EPERM, "cannot be written to"),
        (errno.EIO, "Input/output error"),
    ],
)
def test_each_error_of_the_system_names_its_file(number: int, words: str) -> None:
    for name in (None, "other"):
        with pytest.raises(LogError) as raised, one_line(Path("there")):
            raise OSError(number, "Input/output error", name)
        assert str(raised.value).startswith(f"{name or 'there'}: {words}")


def test_what_the_log_says_itself_is_not_said_twice() -> None:
    with pytest.raises(BadEntry, match=r"^own$"), one_line(Path("there")):
        raise BadEntry("own")
    for error in (OverflowError("too large"), UnicodeEncodeError("utf-8", "x", 0, 1, "no")):
        with pytest.raises(BadEntry, match="cannot be stored"), one_line(Path("there")):
            raise error


@pytest.mark.parametrize(
    ("code", "target"),
    [
        (sqlite3.SQLITE_FULL, True),
        (sqlite3.SQLITE_READONLY, True),
        (sqlite3.SQLITE_IOERR, True),
        (sqlite3.SQLITE_IOERR_WRITE, True),
        (sqlite3.SQLITE_IOERR_READ, False),
        (sqlite3.SQLITE_IOERR_SHORT_READ, False),
        (sqlite3.SQLITE_CORRUPT, False),
        (None, False),
    ],
)
def test_a_failed_copy_is_the_fault_of_the_disk_that_failed(code: int | None, target: bool) -> None:
    error = sqlite3.OperationalError("told")
    if code is not None:
        error.sqlite_errorcode = code
    assert _is_of_the_target(error) is target


@pytest.mark.parametrize("begins", ["=", "+", "-", "@", "\t", "\r"])
def test_what_a_spreadsheet_would_run_is_text(begins: str) -> None:
    assert as_cell(f"{begins}1+1") == f"'{begins}1+1"
    assert as_cell(f"1{begins}") == f"1{begins}"


def test_numbers_and_nothing_stay_as_they_are() -> None:
    assert [as_cell(value) for value in (-1.5, None, "", "'")] == [-1.5, None, "", "'"]


@pytest.mark.parametrize(
    ("data", "suffix"),
    [(b"\xff\xd8\xff\xe0", "jpg"), (b"\x89PNG\r\n\x1a\n.", "png"), (b"\x89PNG\r\n", "bin"), (b"", "bin")],
)
def test_a_picture_is_named_by_its_content(data: bytes, suffix: str) -> None:
    name = name_of(data)
    assert name[:2] == name[3:5] and len(name) == 3 + 64 + 4 and name.endswith(f".{suffix}")


@pytest.mark.parametrize(
    ("rule", "path"),
    [
        ({"keep_alignments": 0}, "keep_alignments"),
        ({"keep_gb": -0.001}, "keep_gb"),
        ({"keep_gb": float("inf")}, "keep_gb"),
    ],
)
def test_a_rule_keeps_at_least_one_alignment_and_some_bytes(rule: dict[str, float], path: str) -> None:
    with pytest.raises(BadEntry) as refused:
        PictureRule(**rule)  # type: ignore[arg-type]
    assert refused.value.path == path
    assert PictureRule(keep_alignments=1, keep_gb=0.0) != PictureRule()


def test_values_and_moments_come_back_as_they_were(tmp_path: Path) -> None:
    with Log(tmp_path) as log:
        now = stamp(log.now())
    assert stamp(moment(now)) == now and now.endswith("Z")
    assert as_text({"a": [1, 2]}, what="it") == '{"a": [1, 2]}'
    assert optional_text(None, what="it") is None and as_value(None) is None
    assert as_value(optional_text({"a": 0}, what="it")) == {"a": 0}
    for value in (float("nan"), float("inf"), {1, 2}, "\ud83d"):
        with pytest.raises(BadEntry) as refused:
            as_text(value, what="it")
        assert refused.value.path == "it"


@pytest.mark.parametrize("size", [50, 100, 5000])
def test_what_is_no_log_at_all_has_nothing_and_says_so(tmp_path: Path, size: int) -> None:
    (tmp_path / FILE_NAME).write_bytes(bytes([0x2A]) * size)
    found = check(tmp_path)
    assert (found.alignments, found.events, found.pictures) == (0, 0, 0)
    assert found.problems
