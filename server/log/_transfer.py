"""Reading a log back in: from a JSON export or from another log's folder. Twice does no more than once."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from server.log._database import at_newest
from server.log._errors import BadEntry
from server.log._import_form import AlignmentIn, EntryIn, EventIn, Parts, Source, Tables
from server.log._pictures import PictureFolder
from server.log._prune import look_anew
from server.log._schema import checksum
from server.log._store import Log
from server.log._text import Json, as_text, event_text
from server.log._upkeep import checked_entry, insert_entry

# raises ValueError, with ``path`` and ``message``, for a document it cannot read
Judge = Callable[[Json], object]
PictureOf = Callable[[str], bytes | None]

_OLD_EVENT = """
INSERT INTO event (uuid, alignment_id, sequence, happened, body, reading, picture, withdrawn, checksum)
SELECT ?1, ?2, coalesce(max(sequence), 0) + 1, ?3, ?4, ?5, ?6, ?7, ?8 FROM event WHERE alignment_id = ?2
"""


@dataclass
class Imported:
    """How much was new."""

    alignments: int = 0
    events: int = 0
    pictures: int = 0
    entries: int = 0


def import_json(log: Log, stream: TextIO, *, judge: Judge | None = None) -> Imported:
    """Take in what ``export_json`` wrote. All of it or, with BadEntry that says where, nothing.

    What is there already (by uuid) stays; new events go behind those that the alignment has. Pictures are not
    in the file; they come with :func:`import_folder`, before or after.
    """
    return _merge(log, Parts(stream), PictureFolder(log.folder / "pictures").read, judge)


def import_folder(log: Log, folder: Path, *, judge: Judge | None = None) -> Imported:
    """Take in another log or a backup, pictures included; otherwise as :func:`import_json`."""
    with at_newest(folder) as db:
        return _merge(log, Tables(db), PictureFolder(folder / "pictures").read, judge)


def _merge(log: Log, source: Source, picture_of: PictureOf, judge: Judge | None) -> Imported:
    total = Imported()
    with log.writing() as db:
        target = _Target(db, log.pictures, picture_of, total)
        for number, alignment in enumerate(source.alignments()):
            _judge(judge, alignment, number)
            _merge_alignment(target, alignment)
        for entry in source.entries():
            _merge_entry(target, entry)
        look_anew(db)
        log.pictures.sync(target.names)  # before the entries that name them are on the disk
    return total


def _judge(judge: Judge | None, alignment: AlignmentIn, number: int) -> None:
    if judge is None:
        return
    try:
        judge({"machine": alignment.machine, "events": [event.event for event in alignment.events]})
    except ValueError as error:
        path = f"alignments.{number}.{getattr(error, 'path', '')}".rstrip(".")
        raise BadEntry(getattr(error, "message", str(error)), path=path) from error


@dataclass
class _Target:
    db: sqlite3.Connection
    pictures: PictureFolder
    picture_of: PictureOf
    total: Imported
    names: list[str] = field(default_factory=list)  # of pictures that are not synced yet

    def take_picture(self, name: str | None) -> str | None:
        data = None if name is None else self.picture_of(name)
        if data is None:
            return None
        self.names.append(self.pictures.keep(data, sync=False))
        return self.names[-1]


def _merge_alignment(target: _Target, new: AlignmentIn) -> None:
    row = target.db.execute("SELECT id FROM alignment WHERE uuid = ?", (new.uuid,)).fetchone()
    if row is None:
        alignment_id = _insert_alignment(target.db, new)
        target.total.alignments += 1
    else:
        alignment_id = row[0]
    if _merge_events(target, alignment_id, new.events) and row is not None:
        _update_alignment(target.db, alignment_id, new)


def _merge_entry(target: _Target, new: EntryIn) -> None:
    known = target.db.execute("SELECT id, picture FROM entry WHERE uuid = ?", (new.uuid,)).fetchone()
    if known is not None:
        return _complete_entry(target, known[0], known[1], new)
    body = _entry_body(new)
    picture = target.take_picture(new.picture)
    insert_entry(target.db, new.model_dump() | {"body": body}, _alignment_id(target.db, new), picture)
    target.total.entries += 1
    target.total.pictures += picture is not None


def _entry_body(new: EntryIn) -> Json:
    try:
        return checked_entry(new.kind, new.body)
    except BadEntry as error:
        raise BadEntry(error.message, path=f"entry {new.uuid}.{error.path}") from error


def _alignment_id(db: sqlite3.Connection, new: EntryIn) -> int | None:
    if new.alignment is None:
        return None
    row = db.execute("SELECT id FROM alignment WHERE uuid = ?", (new.alignment,)).fetchone()
    if row is None:
        raise BadEntry("belongs to an alignment that is not there", path=f"entry {new.uuid}")
    return int(row[0])


def _complete_entry(target: _Target, entry_id: int, picture: str | None, new: EntryIn) -> None:
    """A withdrawal and a picture may come later than the entry itself."""
    if new.withdrawn:
        target.db.execute("UPDATE entry SET withdrawn = 1 WHERE id = ?", (entry_id,))
    if picture is None and (name := target.take_picture(new.picture)) is not None:
        target.db.execute("UPDATE entry SET picture = ? WHERE id = ?", (name, entry_id))
        target.total.pictures += 1


def _merge_events(target: _Target, alignment_id: int, events: list[EventIn]) -> int:
    """Returns how many were new."""
    added = 0
    for event in events:
        sql = "SELECT id, alignment_id, picture FROM event WHERE uuid = ?"
        known = target.db.execute(sql, (event.uuid,)).fetchone()
        if known is None:
            _insert_event(target, alignment_id, event)
            added += 1
        elif known[1] != alignment_id:
            raise BadEntry("this event belongs to another alignment already", path=f"event {event.uuid}")
        else:
            _complete_event(target, known[0], known[2], event)
    target.total.events += added
    return added


def _columns(new: AlignmentIn) -> Iterator[object]:
    yield from (new.note, int(new.done), as_text(new.machine, what="machine"))
    for value in (new.state, new.verdict):
        yield None if value is None else as_text(value, what="state or verdict")


def _insert_alignment(db: sqlite3.Connection, new: AlignmentIn) -> int:
    sql = """INSERT INTO alignment (uuid, started, source, note, done, machine, state, verdict)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id"""
    return int(db.execute(sql, (new.uuid, new.started, new.source, *_columns(new))).fetchone()[0])


def _update_alignment(db: sqlite3.Connection, alignment_id: int, new: AlignmentIn) -> None:
    sql = "UPDATE alignment SET note = ?, done = ?, machine = ?, state = ?, verdict = ? WHERE id = ?"
    db.execute(sql, (*_columns(new), alignment_id))


def _insert_event(target: _Target, alignment_id: int, event: EventIn) -> None:
    picture = target.take_picture(event.picture)
    reading = None if event.reading is None else as_text(event.reading, what="reading")
    body = event_text(event.event)
    proof = checksum(event.uuid, event.when, body, reading)
    row = (event.uuid, alignment_id, event.when, body, reading, picture, int(event.withdrawn), proof)
    target.db.execute(_OLD_EVENT, row)
    target.total.pictures += picture is not None


def _complete_event(target: _Target, event_id: int, picture: str | None, event: EventIn) -> None:
    """A withdrawal and a picture may come later than the event itself."""
    if event.withdrawn:
        target.db.execute("UPDATE event SET withdrawn = 1 WHERE id = ?", (event_id,))
    if picture is None and (name := target.take_picture(event.picture)) is not None:
        target.db.execute("UPDATE event SET picture = ? WHERE id = ?", (name, event_id))
        target.total.pictures += 1
