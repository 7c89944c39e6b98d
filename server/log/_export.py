"""Export the log: CSV for spreadsheets, JSON for everything else and for importing again."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import sqlite3
import uuid
from collections.abc import Iterable, Iterator
from contextlib import suppress

from server.log._checksum import ENTRY, EVENT, HEAD, STATE, VERDICT, healed_head, sound
from server.log._schema import COMPUTED, SOURCES
from server.log._text import MOMENT, NO_PROFILE, UUID, Json, as_value, moment, name_in

FORMAT = "spotwright-log"
FORMAT_VERSION = 2  # 1 had no entries
_UNKNOWN = "1970-01-01T00:00:00.000Z"  # the moment of what is damaged

COLUMNS = (
    *("alignment", "source", "machine", "note", "event", "when", "withdrawn", "picture"),
    *("kind", "station", "head_x_mm", "head_y_mm", "u_mm", "v_mm", "sigma_u_mm", "sigma_v_mm"),
    *("mount", "screw", "turns", "part", "move_x_mm", "move_y_mm", "move_z_mm", "cause", "outcome"),
)
_COMPUTED = ", ".join(f"{how.replace('body', 'text')} AS {name}" for name, how in COMPUTED)
# a damaged body is not parsed: its row is left out
_TEXT = "CASE WHEN typeof(body) = 'text' AND json_valid(body) THEN body ELSE '{}' END"
_CSV_EVENTS = f"""
SELECT id, checksum, {", ".join(EVENT)}, {_COMPUTED}
FROM (SELECT *, {_TEXT} AS text FROM event WHERE alignment_id = ?) ORDER BY sequence
"""
_EVENTS = f"SELECT id, checksum, {', '.join(EVENT)} FROM event WHERE alignment_id = ? ORDER BY sequence"


class Rows:
    """The sound rows of a log; ``lost`` gets a line for each of the others."""

    def __init__(self, db: sqlite3.Connection, lost: list[str]) -> None:
        self.db, self.lost = db, lost
        self.uuids: dict[int, str] = {}  # of the alignments already written, by number

    def alignments(self) -> Iterator[Json]:
        """Yield each one's columns: what is left of a damaged head; None for a damaged state or verdict."""
        numbers = [row[0] for row in self.db.execute("SELECT id FROM alignment ORDER BY id")]
        for number in numbers:
            row = self._one(number)
            head = whole_head(self.db, row)
            if head is None:
                self.lost.append(
                    f"alignment {number}: its laser or its note is damaged; its sound entries are there"
                )
                head = _left_of_head(self.db, row)
            self.uuids[number] = head["uuid"]
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
        """The events of one alignment, in order."""
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
        """Test cuts, upkeep, hours and reminders, in order; to be called after the last alignment."""
        cursor = self.db.cursor()
        cursor.row_factory = sqlite3.Row
        for row in cursor.execute("SELECT * FROM entry ORDER BY id"):
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
    sqrt(left_so.u_mm * left_so.u_mm + left_so.v_mm * left_so.v_mm) AS "left",
    uuid, verdict, done, verdict_checksum
FROM alignment JOIN found ON found.alignment_id = alignment.id
    JOIN left_so ON left_so.alignment_id = alignment.id
WHERE source IN (SELECT value FROM json_each(?2))
    AND (?3 IS NULL OR iif(json_valid(machine), json_extract(machine, '$.name') = ?3, 0))
ORDER BY alignment.id
"""


def whole_head(db: sqlite3.Connection, row: sqlite3.Row) -> Json | None:
    """Return an alignment's head, repaired from another one of the same laser if damaged; else None."""
    if sound(row, HEAD, kept="head_checksum"):
        return {name: row[name] for name in HEAD}
    cursor = db.cursor()
    cursor.row_factory = None
    texts = cursor.execute("SELECT DISTINCT machine FROM alignment WHERE typeof(machine) = 'text'")
    return healed_head(row, (text for (text,) in texts.fetchall()))


def _left_of_head(db: sqlite3.Connection, row: sqlite3.Row) -> Json:
    """Return a head for an alignment whose own is damaged, so that its entries are not lost with it.

    Impossible values are replaced. So is the laser's profile, by an empty one, unless a sound alignment has
    exactly the same profile.
    """
    note = row["note"] if isinstance(row["note"], str) else ""
    return {
        "uuid": _if_like(UUID, row["uuid"]) or str(uuid.uuid5(uuid.NAMESPACE_OID, ascii(row["uuid"]))),
        "started": _if_moment(row["started"]) or _UNKNOWN,
        "source": row["source"] if row["source"] in SOURCES else "offline",
        "machine": row["machine"] if _is_of_another(db, row) else NO_PROFILE,
        "note": f"{note.encode('utf-8', 'replace').decode()[:1900]} (damaged)".strip(),
        "own": 0,
        "state": None,
        "damaged": True,
    }


def _is_of_another(db: sqlite3.Connection, row: sqlite3.Row) -> bool:
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    others = cursor.execute("SELECT * FROM alignment WHERE id != ?", (row["id"],))
    same = (other for other in others if other["machine"] == row["machine"])
    return any(sound(other, HEAD, kept="head_checksum") for other in same)


def _if_like(pattern: str, value: object) -> str | None:
    return value if isinstance(value, str) and re.fullmatch(pattern, value) else None


def _if_moment(value: object) -> str | None:
    with suppress(ValueError):
        text = _if_like(MOMENT, value)
        return text if text is None or moment(text) else None
    return None


def drift(db: sqlite3.Connection, station: str, sources: tuple[str, ...], laser: str | None) -> list[Json]:
    """One row for each alignment with a mark at ``station``: alignment, started, found, left (mm)."""
    # not every SQLite is built with sqrt
    db.create_function("sqrt", 1, math.sqrt, deterministic=True)
    rows = db.execute(_DRIFT, (station, json.dumps(sources), laser))
    return [_ends(row, _judged_mm(row, station)) for row in rows]


def _ends(row: sqlite3.Row, judged_mm: float | None) -> Json:
    left = row["left"] if judged_mm is None else judged_mm
    return {"alignment": row["alignment"], "started": row["started"], "found": row["found"], "left": left}


def _judged_mm(row: sqlite3.Row, station: str) -> float | None:
    """The number of a sound verdict for that station, None without one; it is preferred to the last mark,
    which may be older than the last turn."""
    if row["verdict"] is None or not sound(row, VERDICT, kept="verdict_checksum"):
        return None
    verdict = as_value(row["verdict"])
    value = verdict.get("nozzle_mm") if station == "nozzle" else (verdict.get("centre_mm") or {}).get(station)
    return value if isinstance(value, float | int) else None


def csv_texts(rows: Rows) -> Iterator[str]:
    """Yield the log as CSV, alignment by alignment: a line for each event, ending in CR LF (RFC 4180)."""
    yield _lines([COLUMNS])
    for head in rows.alignments():
        before = (head["id"], head["source"], name_in(head["machine"]), head["note"])
        lines = (_cells(before, row) for row in rows.events(head["id"], sql=_CSV_EVENTS))
        yield _lines(lines)


def _cells(before: tuple[object, ...], row: sqlite3.Row) -> list[object]:
    withdrawn = "yes" if row["withdrawn"] else "no"
    own = (row["sequence"], row["happened"], withdrawn, row["picture"])
    cells = (*before, *own, *tuple(row)[2 + len(EVENT) :])
    return [as_cell(cell) if type(cell) is str else cell for cell in cells]


def _lines(rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


def as_cell(value: object) -> object:
    """Return the content of a CSV cell for a value."""
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
    if head.get("damaged") or head["machine"] == NO_PROFILE:
        plain["damaged"] = True
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
        of = _quoted(rows.uuids.get(row["alignment_id"]))
        yield f'{start}, "alignment": {of}, {rest}'
