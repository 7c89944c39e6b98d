"""The log for other programs: CSV for spreadsheets, JSON for everything else and for reading back."""

from __future__ import annotations

import csv
import io
import json
import math
import sqlite3
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import TextIO

FORMAT = "spotwright-log"
FORMAT_VERSION = 2  # 1 had no entries


COLUMNS = (
    *("alignment", "source", "machine", "note", "event", "when", "withdrawn", "picture", "kind", "station"),
    *(
        "head_x_mm",
        "head_y_mm",
        "u_mm",
        "v_mm",
        "sigma_u_mm",
        "sigma_v_mm",
        "mount",
        "screw",
        "turns",
        "part",
    ),
    *("move_x_mm", "move_y_mm", "move_z_mm", "cause", "outcome"),
)
_STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
# marks are nearly all there is, so they go straight through; the rest is fetched for other events only
_MARK = "station, head_x_mm, head_y_mm, u_mm, v_mm, sigma_u_mm, sigma_v_mm"
_REST = "mount, screw, turns, part, move_x_mm, move_y_mm, move_z_mm, cause, outcome"
_AFTER_MARK = "," * len(_REST.split(", ")) + "\r\n"
_CSV_HEAD = "SELECT id, source, json_extract(machine, '$.name'), note FROM alignment ORDER BY id"
_CSV_EVENT = f"""
SELECT sequence, happened, withdrawn, picture, kind, {_MARK}
FROM event WHERE alignment_id = ? ORDER BY sequence
"""
_CSV_REST = f"SELECT {_REST} FROM event WHERE alignment_id = ? AND sequence = ?"
# the uuid, the moment and the picture's name hold nothing that JSON would have to escape
_EVENT_LINE = """
SELECT '    {"uuid": "' || uuid || '", "when": "' || happened || '", "withdrawn": '
    || CASE withdrawn WHEN 1 THEN 'true' ELSE 'false' END
    || ', "picture": ' || coalesce('"' || picture || '"', 'null')
    || ', "event": ' || body || ', "reading": ' || coalesce(reading, 'null') || '}'
FROM event WHERE alignment_id = ? ORDER BY sequence
"""
_ENTRY_LINE = """
SELECT '  {"uuid": "' || entry.uuid || '", "kind": "' || kind || '", "when": "' || happened
    || '", "alignment": ' || coalesce('"' || alignment.uuid || '"', 'null') || ', "withdrawn": '
    || CASE withdrawn WHEN 1 THEN 'true' ELSE 'false' END
    || ', "picture": ' || coalesce('"' || picture || '"', 'null') || ', "body": ' || body || '}'
FROM entry LEFT JOIN alignment ON alignment.id = entry.alignment_id ORDER BY entry.id
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
WHERE source IN (SELECT value FROM json_each(?2)) AND (?3 IS NULL OR json_extract(machine, '$.name') = ?3)
ORDER BY alignment.id
"""


def drift(
    db: sqlite3.Connection, station: str, sources: tuple[str, ...], laser: str | None
) -> list[sqlite3.Row]:
    """One row for each alignment with a mark at ``station``: alignment, started, found, left (mm)."""
    # not every SQLite is built with sqrt
    db.create_function("sqrt", 1, math.sqrt, deterministic=True)
    return db.execute(_DRIFT, (station, json.dumps(sources), laser)).fetchall()


def write_csv(db: sqlite3.Connection, stream: TextIO) -> None:
    """One line for each event, with a header; lines end in CR LF as RFC 4180 has it."""
    cursor = db.cursor()
    cursor.row_factory = None  # plain tuples are fastest
    stream.write(_line(COLUMNS))
    for head in cursor.execute(_CSV_HEAD).fetchall():
        stream.writelines(_csv_lines(cursor, head[0], _line(head).removesuffix("\r\n")))


def _csv_lines(cursor: sqlite3.Cursor, number: int, before: str) -> Iterator[str]:
    for event in cursor.execute(_CSV_EVENT, (number,)).fetchall():
        sequence, when, withdrawn, picture, kind, station, x, y, u, v, su, sv = event
        start = f"{before},{sequence},{when},{'yes' if withdrawn else 'no'},{picture or ''}"
        if kind == "mark" and station in _STATIONS and set(map(type, event[6:])) == {float}:
            yield f"{start},mark,{station},{x},{y},{u},{v},{su},{sv}{_AFTER_MARK}"
        else:
            rest = cursor.execute(_CSV_REST, (number, sequence)).fetchone()
            yield f"{start},{_line((*event[4:], *rest))}"


def _line(cells: Iterable[object]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerow([_cell(cell) for cell in cells])
    return text.getvalue()


def _cell(value: object) -> object:
    # a spreadsheet runs a cell that begins like a formula; the leading apostrophe makes it text
    return (
        "'" + value
        if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r"))
        else value
    )


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
    stream.write('], "entries": [')
    stream.write(",".join(f"\n{text}" for text in entry_texts(db)))
    stream.write("]}\n")


def entry_texts(db: sqlite3.Connection) -> list[str]:
    """Each entry as one JSON object."""
    return [line for (line,) in db.execute(_ENTRY_LINE).fetchall()]
