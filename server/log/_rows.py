"""Writing rows with their checksums."""

from __future__ import annotations

import sqlite3
from typing import Literal

from server.log import _checksum as sums
from server.log._text import Json

SEALED = {"event": sums.EVENT, "entry": sums.ENTRY}


def insert(db: sqlite3.Connection, table: str, row: Json) -> int:
    """Write one row; returns its number."""
    marks = ", ".join("?" * len(row))
    cursor = db.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))
    assert cursor.lastrowid is not None  # always there after an INSERT
    return cursor.lastrowid


def insert_sealed(db: sqlite3.Connection, table: Literal["event", "entry"], row: Json) -> int:
    """Write an event or an entry with its checksum; returns its number."""
    return insert(db, table, row | {"checksum": sums.sum_of(row, SEALED[table])})


def sealed_head(row: Json) -> Json:
    """An alignment's columns with the checksums over those that are there."""
    kept = {name: columns for name, columns in sums.ALIGNMENT.items() if row.keys() >= set(columns)}
    return row | {name: sums.sum_of(row, columns) for name, columns in kept.items()}


def change(
    db: sqlite3.Connection, table: Literal["event", "entry"], number: int, **new: int | str | None
) -> bool:
    """Change an event or an entry and its checksum; returns whether it exists. Damaged ones stay damaged."""
    columns = SEALED[table]
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    sql = f"SELECT checksum, {', '.join(columns)} FROM {table} WHERE id = ?"
    row = cursor.execute(sql, (number,)).fetchone()
    if row is None:
        return False
    seal = sums.sum_of(dict(row) | new, columns) if sums.sound(row, columns) else sums.NEVER
    marks = ", ".join(f"{name} = ?" for name in (*new, "checksum"))
    db.execute(f"UPDATE {table} SET {marks} WHERE id = ?", (*new.values(), seal, number))
    return True
