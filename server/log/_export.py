"""The log for other programs: CSV for spreadsheets, JSON for everything else and for reading back."""

from __future__ import annotations

import csv
import io
import json
import math
import sqlite3
from collections.abc import Iterable, Iterator

from server.log._checksum import ENTRY, EVENT, HEAD, STATE, VERDICT, healed_head, sound
from server.log._schema import COMPUTED
from server.log._text import Json, name_in

FORMAT = "spotwright-log"
FORMAT_VERSION = 2  # 1 had no entries

COLUMNS = (
    *("alignment", "source", "machine", "note", "event", "when", "withdrawn", "picture"),
    *("kind", "station", "head_x_mm", "head_y_mm", "u_mm", "v_mm", "sigma_u_mm", "sigma_v_mm"),
    *("mount", "screw", "turns", "part", "move_x_mm", "move_y_mm", "move_z_mm", "cause", "outcome"),
)
_COMPUTED = ", ".join(f"{how.replace('body', 'text')} AS {name}" for name, how in COMPUTED)
# what a damaged body says is not asked for: its row is left out
_TEXT = "CASE WHEN typeof(body) = 'text' AND json_valid(body) THEN body ELSE '{}' END"
_CSV_EVENTS = f"""
SELECT id, checksum, {", ".join(EVENT)}, {_COMPUTED}
FROM (SELECT *, {_TEXT} AS text FROM event WHERE alignment_id = ?) ORDER BY sequence
"""
_EVENTS = f"SELECT id, checksum, {', '.join(EVENT)} FROM event WHERE alignment_id = ? ORDER BY sequence"
_ENTRIES = """
SELECT entry.*, alignment.uuid AS alignment FROM entry
LEFT JOIN alignment ON alignment.id = entry.alignment_id ORDER BY entry.id
"""


class Rows:
    """The sound rows of a log; ``lost`` gets a line for each of the others."""

    def __init__(self, db: sqlite3.Connection, lost: list[str]) -> None:
        self.db, self.lost = db, lost

    def alignments(self, *, headless: bool = False) -> Iterator[Json]:
        """Each by its columns, state and verdict None where they are damaged.

        headless : those whose head is damaged too, with nothing in it; else they are left out.
        """
        numbers = [row[0] for row in self.db.execute("SELECT id FROM alignment ORDER BY id")]
        for number in numbers:
            row = self._one(number)
            head = whole_head(self.db, row)
            if head is None:
                what = "its laser and note are" if headless else "it is"
                self.lost.append(f"alignment {number}: {what} damaged and left out")
                if headless:
                    yield {"id": number, "source": "", "machine": "{}", "note": ""}
            else:
                yield self._whole_parts(row) | head

    def _one(self, number: int) -> sqlite3.Row:
        cursor = self.db.cursor()
        cursor.row_factory = sqlite3.Row
        row: sqlite3.Row = cursor.execute("SELECT * FROM alignment WHERE id = ?", (number,)).fetchone()
        return row

    def _whole_parts(self, row: sqlite3.Row) -> Json:
        shown = dict(row)
        if not sound(row, STATE, kept="state_checksum"):
            shown["state"] = None
        if not sound(row, VERDICT, kept="verdict_checksum"):
            shown |= {"verdict": None, "done": 0}
            self.lost.append(f"the verdict of alignment {row['id']} is damaged and left out")
        return shown

    def events(self, alignment_id: int, *, sql: str = _EVENTS) -> Iterator[sqlite3.Row]:
        """Those of one alignment, in order."""
        cursor = self.db.cursor()
        cursor.row_factory = sqlite3.Row
        for row in cursor.execute(sql, (alignment_id,)):
            if sound(row, EVENT):
                yield row
            else:
                self.lost.append(
                    f"entry {row['sequence']} of alignment {alignment_id} is damaged and left out"
                )

    def entries(self) -> Iterator[sqlite3.Row]:
        """Test cuts, upkeep, hours and reminders, in order."""
        cursor = self.db.cursor()
        cursor.row_factory = sqlite3.Row
        for row in cursor.execute(_ENTRIES):
            if sound(row, ENTRY):
                yield row
            else:
                self.lost.append(f"entry {row['id']} of the upkeep is damaged and left out")


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
WHERE source IN (SELECT value FROM json_each(?2))
    AND (?3 IS NULL OR iif(json_valid(machine), json_extract(machine, '$.name') = ?3, 0))
ORDER BY alignment.id
"""


def whole_head(db: sqlite3.Connection, row: sqlite3.Row) -> Json | None:
    """What an alignment began with, healed where another one of the same laser allows it; None: damaged."""
    if sound(row, HEAD, kept="head_checksum"):
        return {name: row[name] for name in HEAD}
    cursor = db.cursor()
    cursor.row_factory = None
    texts = cursor.execute("SELECT DISTINCT machine FROM alignment WHERE typeof(machine) = 'text'")
    return healed_head(row, (text for (text,) in texts.fetchall()))


def drift(
    db: sqlite3.Connection, station: str, sources: tuple[str, ...], laser: str | None
) -> list[sqlite3.Row]:
    """One row for each alignment with a mark at ``station``: alignment, started, found, left (mm)."""
    # not every SQLite is built with sqrt
    db.create_function("sqrt", 1, math.sqrt, deterministic=True)
    return db.execute(_DRIFT, (station, json.dumps(sources), laser)).fetchall()


def csv_texts(rows: Rows) -> Iterator[str]:
    """The log as CSV, alignment by alignment: a line for each event, ending in CR LF as RFC 4180 has it."""
    yield _lines([COLUMNS])
    for head in rows.alignments(headless=True):
        before = (head["id"], head["source"], name_in(head["machine"]), head["note"])
        lines = (_cells(before, row) for row in rows.events(head["id"], sql=_CSV_EVENTS))
        yield _lines(lines)


def _cells(before: tuple[object, ...], row: sqlite3.Row) -> Iterator[object]:
    withdrawn = "yes" if row["withdrawn"] else "no"
    own = (row["sequence"], row["happened"], withdrawn, row["picture"])
    return map(as_cell, (*before, *own, *tuple(row)[2 + len(EVENT) :]))


def _lines(rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


def as_cell(value: object) -> object:
    """What stands in a CSV cell for a value."""
    # a spreadsheet runs a cell that begins like a formula; the leading apostrophe makes it text
    runs = isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r"))
    return f"'{value}" if runs else value


def alignment_texts(rows: Rows) -> Iterator[str]:
    """Each alignment as one JSON object, one event on each line."""
    for head in rows.alignments():
        lines = ",\n".join(map(_event_text, rows.events(head["id"])))
        yield f'{_head_text(head)}, "events": [{chr(10) if lines else ""}{lines}]}}'


def _event_text(row: sqlite3.Row) -> str:
    # body and reading are JSON already; uuid, moment and name hold nothing that JSON would have to escape
    withdrawn, picture = "true" if row["withdrawn"] else "false", _quoted(row["picture"])
    start = f'    {{"uuid": "{row["uuid"]}", "when": "{row["happened"]}", "withdrawn": {withdrawn}'
    return f'{start}, "picture": {picture}, "event": {row["body"]}, "reading": {row["reading"] or "null"}}}'


def _quoted(text: str | None) -> str:
    return "null" if text is None else f'"{text}"'


def _head_text(head: Json) -> str:
    plain = {name: head[name] for name in ("uuid", "started", "source", "note")} | {
        "done": bool(head["done"])
    }
    rest = ((name, head[name]) for name in ("machine", "state", "verdict"))
    return json.dumps(plain)[:-1] + "".join(f', "{name}": {text or "null"}' for name, text in rest)


def json_texts(rows: Rows) -> Iterator[str]:
    """The whole log as one JSON object, alignment by alignment."""
    separator = f'{{"format": "{FORMAT}", "version": {FORMAT_VERSION}, "alignments": [\n'
    for text in alignment_texts(rows):
        yield separator + text
        separator = ",\n"
    begun = "" if separator == ",\n" else separator[:-1]
    yield f'{begun}], "entries": ['
    yield ",".join(f"\n{text}" for text in entry_texts(rows))
    yield "]}\n"


def entry_texts(rows: Rows) -> Iterator[str]:
    """Each entry as one JSON object."""
    for row in rows.entries():
        withdrawn = "true" if row["withdrawn"] else "false"
        start = f'  {{"uuid": "{row["uuid"]}", "kind": "{row["kind"]}", "when": "{row["happened"]}"'
        rest = f'"withdrawn": {withdrawn}, "picture": {_quoted(row["picture"])}, "body": {row["body"]}}}'
        yield f'{start}, "alignment": {_quoted(row["alignment"])}, {rest}'
