"""The log for other programs: CSV for spreadsheets, JSON for everything else and for reading back."""

from __future__ import annotations

import csv
import json
import math
import sqlite3
from collections.abc import Iterator
from itertools import chain
from typing import TextIO

FORMAT = "spotwright-log"
FORMAT_VERSION = 1


def _cell(column: str, name: str) -> str:
    # a spreadsheet runs a cell that begins like a formula; the leading apostrophe makes it text
    looks = f"substr({column}, 1, 1) IN ('=', '+', '-', '@', char(9), char(13))"
    return f"CASE WHEN {looks} THEN '''' ELSE '' END || {column} AS {name}"


_NUMBERS_BEFORE = "station, head_x_mm, head_y_mm, u_mm, v_mm, sigma_u_mm, sigma_v_mm, mount"
_NUMBERS_AFTER = "turns, part, move_x_mm, move_y_mm, move_z_mm"
_CSV = f"""
SELECT a.id AS alignment, e.sequence AS event, e.happened AS "when", a.source,
    {_cell("a.machine_name", "machine")}, {_cell("a.note", "note")}, kind, {_NUMBERS_BEFORE},
    {_cell("screw", "screw")}, {_NUMBERS_AFTER}, {_cell("cause", "cause")}, {_cell("outcome", "outcome")},
    CASE withdrawn WHEN 1 THEN 'yes' ELSE 'no' END AS withdrawn, picture
FROM event AS e JOIN
    (SELECT id, source, note, json_extract(machine, '$.name') AS machine_name FROM alignment) AS a
    ON a.id = e.alignment_id
ORDER BY e.alignment_id, e.sequence
"""
# the uuid, the moment and the picture's name hold nothing that JSON would have to escape
_EVENT_LINE = """
SELECT '    {"uuid": "' || uuid || '", "when": "' || happened || '", "withdrawn": '
    || CASE withdrawn WHEN 1 THEN 'true' ELSE 'false' END
    || ', "picture": ' || coalesce('"' || picture || '"', 'null')
    || ', "event": ' || body || ', "reading": ' || coalesce(reading, 'null') || '}'
FROM event WHERE alignment_id = ? ORDER BY sequence
"""
_HEAD = "SELECT id, uuid, started, source, note, done, machine, state, verdict FROM alignment ORDER BY id"


# min() and max() pick the row that the other columns come from: https://www.sqlite.org/lang_select.html#bareagg
_DRIFT = """
WITH found AS (SELECT alignment_id, min(sequence), u_mm, v_mm FROM event
        WHERE station = ?1 AND kind = 'mark' AND NOT withdrawn GROUP BY alignment_id),
    left_so AS (SELECT alignment_id, max(sequence), u_mm, v_mm FROM event
        WHERE station = ?1 AND kind = 'mark' AND NOT withdrawn GROUP BY alignment_id)
SELECT alignment.id AS alignment, started,
    sqrt(found.u_mm * found.u_mm + found.v_mm * found.v_mm) AS found,
    sqrt(left_so.u_mm * left_so.u_mm + left_so.v_mm * left_so.v_mm) AS "left"
FROM alignment JOIN found ON found.alignment_id = alignment.id
    JOIN left_so ON left_so.alignment_id = alignment.id
WHERE source IN (SELECT value FROM json_each(?2)) ORDER BY alignment.id
"""


def drift(db: sqlite3.Connection, station: str, sources: tuple[str, ...]) -> list[sqlite3.Row]:
    """One row for each alignment with a mark at ``station``: alignment, started, found, left (mm)."""
    # not every SQLite is built with sqrt
    db.create_function("sqrt", 1, math.sqrt, deterministic=True)
    return db.execute(_DRIFT, (station, json.dumps(sources))).fetchall()


def write_csv(db: sqlite3.Connection, stream: TextIO) -> None:
    """One line for each event, with a header; lines end in CR LF as RFC 4180 has it."""
    cursor = db.cursor()
    cursor.row_factory = None  # plain tuples are what csv writes fastest
    cursor.execute(_CSV)
    writer = csv.writer(stream)
    writer.writerow([column[0] for column in cursor.description])
    writer.writerows(cursor)


def alignment_texts(db: sqlite3.Connection) -> Iterator[Iterator[str]]:
    """Each alignment as the pieces of one JSON object, so that no more than a line is held in memory."""
    for head in db.execute(_HEAD).fetchall():
        yield _alignment_text(db, head)


def _alignment_text(db: sqlite3.Connection, head: sqlite3.Row) -> Iterator[str]:
    plain = {key: head[key] for key in ("uuid", "started", "source", "note")} | {"done": bool(head["done"])}
    yield json.dumps(plain)[:-1]
    for key in ("machine", "state", "verdict"):
        yield f', "{key}": {head[key] or "null"}'
    yield ', "events": ['
    cursor = db.cursor()
    cursor.row_factory = None
    separator = "\n"
    for (line,) in cursor.execute(_EVENT_LINE, (head["id"],)):
        yield separator + line
        separator = ",\n"
    yield "]}"


def write_json(db: sqlite3.Connection, stream: TextIO) -> None:
    """The whole log as one JSON object, one event on each line."""
    stream.write(f'{{"format": "{FORMAT}", "version": {FORMAT_VERSION}, "alignments": [')
    separator = "\n"
    for pieces in alignment_texts(db):
        stream.writelines(chain((separator,), pieces))
        separator = ",\n"
    stream.write("]}\n")
