"""Entries besides the alignments: test cuts, upkeep, hours run, reminders.

Like events, entries are only ever added or withdrawn; each kind has its own fields, checked on the way in.
"""

from __future__ import annotations

import csv
import sqlite3
import uuid
from datetime import datetime
from typing import Annotated, Any, Literal, TextIO

import pydantic

from server.log._checksum import ENTRY, sound
from server.log._errors import BadEntry, NoSuchEntry
from server.log._export import as_cell
from server.log._rows import change, insert_sealed
from server.log._schema import KINDS
from server.log._store import Log
from server.log._text import Json, as_text, as_value, moment, stamp

UPKEEP = ("cleaning", "mirror or lens changed", "tube changed", "laser moved", "belts or rails", "other")

_Laser = Annotated[str, pydantic.StringConstraints(min_length=1, max_length=200)]
_Text = Annotated[str, pydantic.StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
_Note = Annotated[str, pydantic.StringConstraints(strip_whitespace=True, max_length=500)]
_Hours = Annotated[float, pydantic.Field(ge=0, le=1e6, allow_inf_nan=False)]


class _Fields(pydantic.BaseModel):
    model_config = pydantic.ConfigDict(extra="forbid", defer_build=True)


class Cut(_Fields):
    """One test cut, at the corner nearest to the tube's exit or farthest from it."""

    stage: Literal["before", "after"]
    place: Literal["near", "far"]
    material: _Text
    thickness_mm: Annotated[float, pydantic.Field(gt=0, le=200, allow_inf_nan=False)]
    speed_mm_s: Annotated[float, pydantic.Field(gt=0, le=10_000, allow_inf_nan=False)]
    power_percent: Annotated[float, pydantic.Field(gt=0, le=100, allow_inf_nan=False)]
    through: bool
    note: _Note = ""


class Upkeep(_Fields):
    """Something was done at the laser; ``reminder`` is the uuid of the reminder that asked for it."""

    laser: _Laser
    what: _Text
    note: _Note = ""
    hours: _Hours | None = None
    reminder: Annotated[str, pydantic.StringConstraints(max_length=36)] | None = None


class Hours(_Fields):
    """What the laser's hour counter shows."""

    laser: _Laser
    hours: _Hours


class Reminder(_Fields):
    """A reminder every so many days, or hours run, whichever comes first."""

    laser: _Laser
    what: _Text
    every_days: Annotated[int, pydantic.Field(ge=1, le=3650)] | None = None
    every_hours: Annotated[float, pydantic.Field(gt=0, le=50_000, allow_inf_nan=False)] | None = None
    hours: _Hours | None = None

    @pydantic.model_validator(mode="after")
    def _some(self) -> Reminder:
        if self.every_days is None and self.every_hours is None:
            raise ValueError("give a number of days or hours")
        return self


_MODELS: dict[str, type[_Fields]] = {"cut": Cut, "upkeep": Upkeep, "hours": Hours, "reminder": Reminder}


def checked_entry(kind: str, body: Any, *, lax: bool = False) -> Json:
    """Return the fields of an entry with defaults filled in; BadEntry names the first one at fault.

    ``lax``: numbers and yes or no may be text, as a form sends them.
    """
    if kind not in _MODELS:
        raise BadEntry(f"choose one of {', '.join(KINDS)}", path="kind")
    try:
        return _MODELS[kind].model_validate(body, strict=not lax).model_dump()
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        raise BadEntry(first["msg"], path=".".join(map(str, first["loc"])) or kind) from error


def add_entry(
    log: Log, kind: str, body: Json, *, alignment_id: int | None = None, picture: bytes | None = None
) -> int:
    """Save an entry (of an alignment, with a picture); returns its number when it is on disk."""
    row: Json = {"uuid": str(uuid.uuid4()), "when": stamp(log.now()), "kind": kind, "withdrawn": False}
    row["body"] = checked_entry(kind, body)
    with log.writing() as db:
        if alignment_id is not None:
            _alignment_must_exist(db, alignment_id)
        name = None if picture is None else log.pictures.keep(picture)
        return insert_entry(db, row, alignment_id, name)


def insert_entry(db: sqlite3.Connection, row: Json, alignment_id: int | None, picture: str | None) -> int:
    """Write one checked entry: ``row`` has uuid, when, kind, body, withdrawn."""
    columns: Json = {
        "uuid": row["uuid"],
        "kind": row["kind"],
        "alignment_id": alignment_id,
        "happened": row["when"],
        "body": as_text(row["body"], what="body"),
        "picture": picture,
        "withdrawn": int(row["withdrawn"]),
    }
    return insert_sealed(db, "entry", columns)


def withdraw_entry(log: Log, entry_id: int) -> None:
    """Withdraw an entry, so that it no longer counts; it stays in the log."""
    with log.writing() as db:
        if not change(db, "entry", entry_id, withdrawn=1):
            raise NoSuchEntry(f"there is no entry {entry_id} in this log")


def entries(log: Log, *kinds: str, alignment_id: int | None = None) -> list[Json]:
    """The entries that count, oldest first: id, uuid, kind, alignment, when, has_picture, and its fields.

    Those that are damaged are not among them; :func:`damaged_entries` counts these.
    """
    return [
        {key: row[key] for key in ("id", "uuid", "kind", "alignment", "when", "has_picture")} | row["body"]
        for row in log.read(_all_entries)
        if not (row["damaged"] or row["withdrawn"])
        and (not kinds or row["kind"] in kinds)
        and (alignment_id is None or row["alignment"] == alignment_id)
    ]


def damaged_entries(log: Log) -> int:
    """How many entries are damaged and therefore not shown."""
    return sum(row["damaged"] for row in log.read(_all_entries))


def entry_picture(log: Log, entry_id: int) -> bytes | None:
    """The photo of a test cut, None where there is none; NoSuchEntry."""
    sql = f"SELECT checksum, {', '.join(ENTRY)} FROM entry WHERE id = ?"
    row = log.read(lambda db: db.execute(sql, (entry_id,)).fetchone())
    if row is None:
        raise NoSuchEntry(f"there is no entry {entry_id} in this log")
    return None if row["picture"] is None or not sound(row, ENTRY) else log.pictures.read(row["picture"])


def _all_entries(db: sqlite3.Connection) -> list[Json]:
    """Every entry in order, withdrawn and damaged ones too."""
    return [_entry_of(row) for row in db.execute("SELECT * FROM entry ORDER BY id")]


def _entry_of(row: sqlite3.Row) -> Json:
    try:
        body = checked_entry(row["kind"], as_value(row["body"])) if sound(row, ENTRY) else None
        moment(row["happened"])
    except ValueError:  # imported by an older version that checked less
        body = None
    return {
        "id": row["id"],
        "uuid": row["uuid"],
        "kind": row["kind"],
        "alignment": row["alignment_id"],
        "when": row["happened"],
        "withdrawn": bool(row["withdrawn"]),
        "has_picture": row["picture"] is not None,
        "body": body,
        "damaged": body is None,
    }


def reminders(log: Log) -> list[Json]:
    """Return every reminder: its fields, days_left, hours_left (None: not counted), and whether it is due."""
    rows, now = entries(log, "upkeep", "hours", "reminder"), log.now()
    return [row | _left(row, rows, now) for row in rows if row["kind"] == "reminder"]


def _left(reminder: Json, rows: list[Json], now: datetime) -> Json:
    done = [row for row in rows if row["kind"] == "upkeep" and row["reminder"] == reminder["uuid"]]
    last = done[-1] if done else reminder
    days, hours = reminder["every_days"], reminder["every_hours"]
    days_left = None if days is None else days - (now - moment(last["when"])).total_seconds() / 86400
    hours_left = None if hours is None else hours - _hours_since(last, rows, reminder["laser"])
    due = any(left is not None and left <= 0 for left in (days_left, hours_left))
    return {"days_left": days_left, "hours_left": hours_left, "due": due, "last": last["when"]}


def _hours_since(last: Json, rows: list[Json], laser: str) -> float:
    """Hours run since then, by the counter; 0 until the counter has been read twice."""
    counted = [row for row in rows if row.get("hours") is not None and row["laser"] == laser]
    if not counted:
        return 0.0
    before = [row for row in counted if row["id"] <= last["id"]] or counted[:1]
    return float(counted[-1]["hours"] - before[-1]["hours"])


def write_upkeep_csv(log: Log, stream: TextIO) -> None:
    """Every entry that counts as one line of CSV; open a file for it with ``newline=""``."""
    fields = {name: None for model in _MODELS.values() for name in model.model_fields}
    columns = ["id", "kind", "alignment", "when", "has_picture", *fields]
    writer = csv.DictWriter(stream, columns, restval="", extrasaction="ignore")
    writer.writeheader()
    for row in entries(log):
        writer.writerow({key: as_cell(value) for key, value in row.items()})


def _alignment_must_exist(db: sqlite3.Connection, number: int) -> None:
    if db.execute("SELECT 1 FROM alignment WHERE id = ?", (number,)).fetchone() is None:
        raise NoSuchEntry(f"there is no alignment {number} in this log")
