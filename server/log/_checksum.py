"""A checksum over the content of a row, which tells a damaged row from a sound one."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

# the columns of each checksum, in the order in which it takes them
EVENT = ("uuid", "alignment_id", "sequence", "happened", "body", "reading", "picture", "withdrawn")
ENTRY = ("uuid", "kind", "alignment_id", "happened", "body", "picture", "withdrawn")
HEAD = ("uuid", "started", "source", "machine", "note", "own")  # what hardly ever changes in an alignment
STATE = ("uuid", "state")
VERDICT = ("uuid", "verdict", "done")
SETTING = ("name", "value")
ALIGNMENT = {"head_checksum": HEAD, "state_checksum": STATE, "verdict_checksum": VERDICT}
NEVER = -1  # not a CRC-32: marks a row that was already damaged when checksums were added


class Row(Protocol):
    """A row by the names of its columns: an sqlite3.Row or a dict."""

    def __getitem__(self, name: str, /) -> Any:
        """The column's value."""
        ...


def checksum(*values: object) -> int:
    """CRC-32 (ISO 3309, as in zlib) over the values as Python's ``ascii`` writes their tuple.

    That text tells '1' from 1 and None from '', and is the same for every version of Unicode.
    """
    return zlib.crc32(ascii(values).encode())


def sum_of(row: Row | Mapping[str, Any], columns: tuple[str, ...]) -> int:
    """The checksum over these columns of a row."""
    return checksum(*[row[name] for name in columns])


def sound(row: Row, columns: tuple[str, ...], *, kept: str = "checksum") -> bool:
    """Whether the row's content still matches the checksum in its column ``kept``."""
    return bool(row[kept] == sum_of(row, columns))


def healed_head(row: Row, machines: Iterable[str]) -> dict[str, Any] | None:
    """Return a head whose profile alone is damaged, with the profile of ``machines`` that fits, or None."""
    head = {name: row[name] for name in HEAD}
    tried = (head | {"machine": machine} for machine in machines)
    return next((one for one in tried if sum_of(one, HEAD) == row["head_checksum"]), None)
