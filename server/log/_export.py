"""The log for other programs: CSV for spreadsheets, JSON for everything else and for reading back."""

from __future__ import annotations

import csv
import io
import json
import math
import sqlite3
from collections.abc import Iterable, Iterator

FORMAT = "spotwright-log"
FORMAT_VERSION = 2  # 1 had no entries

COLUMNS = (
    *("alignment", "source", "machine", "note", "event", "when", "withdrawn", "picture"),
    *("kind", "station", "head_x_mm", "head_y_mm", "u_mm", "v_mm", "sigma_u_mm", "sigma_v_mm"),
    *("mount", "screw", "turns", "part", "move_x_mm", "move_y_mm", "move_z_mm", "cause", "outcome"),
)
# Nearly all there is are marks and turns: the database itself writes their lines (numbers with 15 digits), no
# object of Python's for each cell. What is unusual in any way comes back as NULL and takes the long way.
_CSV_START = "'%s,%d,%s,%s,%s,' || kind || "
_CSV_FIRST = "?2, sequence, happened, iif(withdrawn, 'yes', 'no'), picture"
_CSV_LINE = f"""
SELECT sequence, CASE
    WHEN kind = 'mark' AND station IN ('mirror-1', 'mirror-2', 'mirror-3', 'nozzle')
        AND max(head_x_mm, head_y_mm, u_mm, v_mm, sigma_u_mm, sigma_v_mm) < 1e300
    THEN printf({_CSV_START} ',%s,%!.15g,%!.15g,%!.15g,%!.15g,%!.15g,%!.15g,,,,,,,,,\r\n', {_CSV_FIRST},
        station, head_x_mm, head_y_mm, u_mm, v_mm, sigma_u_mm, sigma_v_mm)
    WHEN kind = 'turn' AND typeof(mount) = 'integer' AND turns < 1e300
        AND screw GLOB '[a-z0-9]*' AND screw NOT GLOB '*[^-a-z0-9 _]*'
    THEN printf({_CSV_START} ',,,,,,,,%d,%s,%!.15g,,,,,,\r\n', {_CSV_FIRST}, mount, screw, turns)
    END
FROM event WHERE alignment_id = ?1 ORDER BY sequence
"""
_CSV_HEAD = "SELECT id, source, json_extract(machine, '$.name'), note FROM alignment ORDER BY id"
_CSV_CELLS = f"""
SELECT sequence, happened, iif(withdrawn, 'yes', 'no'), picture, {", ".join(COLUMNS[8:])}
FROM event WHERE alignment_id = ? AND sequence = ?
"""
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


def csv_texts(db: sqlite3.Connection) -> Iterator[str]:
    """The log as CSV, alignment by alignment: a line for each event, ending in CR LF as RFC 4180 has it."""
    cursor = db.cursor()
    cursor.row_factory = None
    yield _line(COLUMNS)
    for head in cursor.execute(_CSV_HEAD).fetchall():
        before = _line(head).removesuffix("\r\n")
        lines = cursor.execute(_CSV_LINE, (head[0], before)).fetchall()
        short = "\0" not in before  # where printf would end
        yield "".join([line if short and line else _csv_line(cursor, head, at) for at, line in lines])


def _csv_line(cursor: sqlite3.Cursor, head: tuple[object, ...], sequence: int) -> str:
    return _line((*head, *cursor.execute(_CSV_CELLS, (head[0], sequence)).fetchone()))


def _line(cells: Iterable[object]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerow([as_cell(cell) for cell in cells])
    return text.getvalue()


def as_cell(value: object) -> object:
    """What stands in a CSV cell for a value."""
    # a spreadsheet runs a cell that begins like a formula; the leading apostrophe makes it text
    runs = isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r"))
    return f"'{value}" if runs else value


def alignment_texts(db: sqlite3.Connection) -> Iterator[str]:
    """Each alignment as one JSON object, one event on each line."""
    cursor = db.cursor()
    cursor.row_factory = None
    for number, *head in cursor.execute(_HEAD).fetchall():
        lines = ",\n".join([line for (line,) in cursor.execute(_EVENT_LINE, (number,))])
        yield f'{_head_text(*head)}, "events": [{chr(10) if lines else ""}{lines}]}}'


def _head_text(uuid: str, started: str, source: str, note: str, done: int, *texts: str | None) -> str:
    plain = {"uuid": uuid, "started": started, "source": source, "note": note, "done": bool(done)}
    rest = zip(("machine", "state", "verdict"), texts, strict=True)
    return json.dumps(plain)[:-1] + "".join(f', "{key}": {text or "null"}' for key, text in rest)


def json_texts(db: sqlite3.Connection) -> Iterator[str]:
    """The whole log as one JSON object, alignment by alignment."""
    separator = f'{{"format": "{FORMAT}", "version": {FORMAT_VERSION}, "alignments": [\n'
    for text in alignment_texts(db):
        yield separator + text
        separator = ",\n"
    begun = "" if separator == ",\n" else separator[:-1]
    yield f'{begun}], "entries": ['
    yield ",".join(f"\n{text}" for text in entry_texts(db))
    yield "]}\n"


def entry_texts(db: sqlite3.Connection) -> list[str]:
    """Each entry as one JSON object."""
    return [line for (line,) in db.execute(_ENTRY_LINE).fetchall()]
