"""The log itself: alignments and what happened in them, in order, kept so that a power cut loses nothing."""

from __future__ import annotations

import json
import sqlite3
import threading
import uuid
import weakref
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, TextIO

from server.log import _export
from server.log._database import FILE_NAME, open_reader, open_writer
from server.log._errors import BadEntry, LogError, NoSuchEntry, one_line
from server.log._pictures import PictureFolder
from server.log._prune import PictureRule, Pruned, drop_pictures, look_anew, remove_leftovers, rule_in
from server.log._schema import checksum
from server.log._text import Json, as_text, as_value, event_text, optional_text, stamp, utc_now

SOURCES = ("practice", "camera", "offline")
Access = Literal["create", "existing", "read-only"]

_NEW_ALIGNMENT = """
INSERT INTO alignment (uuid, started, source, machine, note, state) VALUES (?, ?, ?, ?, ?, ?)
"""
_NEW_EVENT = """
INSERT INTO event (uuid, alignment_id, sequence, happened, body, reading, picture, checksum)
SELECT :uuid, :alignment, coalesce(max(sequence), 0) + 1, :happened, :body, :reading, :picture, :checksum
FROM event WHERE alignment_id = :alignment
"""
_LIST = """
SELECT id, uuid, started, source, json_extract(machine, '$.name') AS machine, note, done, verdict,
    (SELECT count(*) FROM event WHERE alignment_id = alignment.id) AS events
FROM alignment ORDER BY id
"""


class Log:
    """One folder with the database and its pictures. Safe to use from several threads and programs at once.

    Each writing method returns only when what it wrote survives a power cut. Everything raises LogError with
    one line. ``access``: ``existing`` refuses to make a new log, ``read-only`` never writes.
    """

    def __init__(
        self, folder: Path, *, access: Access = "create", now: Callable[[], datetime] = utc_now
    ) -> None:
        self.folder = Path(folder)
        self.pictures = PictureFolder(self.folder / "pictures")
        self._path = self.folder / FILE_NAME
        self._now = now
        self._lock = threading.RLock()
        self._writer = self._open(access)
        self._file = _identity(self._path)
        self._closer = weakref.finalize(self, self._writer.close) if self._writer else None

    def _open(self, access: Access) -> sqlite3.Connection | None:
        if access == "read-only":
            open_reader(self.folder).close()
            return None
        return open_writer(self.folder, create=access == "create")

    def now(self) -> datetime:
        """The moment that an entry made now is stamped with."""
        return self._now()

    def close(self) -> None:
        """Close the database; the log cannot be written to afterwards."""
        with self._lock, one_line(self._path):
            if self._closer is not None:
                self._closer()
            self._writer = None

    def __enter__(self) -> Log:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on the disk when the block ends, undone if it raises."""
        with self._lock, one_line(self._path):
            if self._writer is None:
                raise LogError(f"{self._path}: the log is closed or open for reading only")
            if _identity(self._path) != self._file:
                raise LogError(f"{self._path}: the log was moved or deleted while it was open; start again")
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                yield self._writer
                self._writer.execute("COMMIT")
            except BaseException:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A connection of its own, so that a long export never holds up a new reading."""
        with closing(open_reader(self.folder)) as db, one_line(self._path):
            db.row_factory = sqlite3.Row
            db.execute("BEGIN")  # one moment in time for all that is read
            yield db

    # writing

    def start_alignment(
        self, *, machine: Json, source: str, note: str = "", state: Json | None = None
    ) -> int:
        """Begin an alignment of the laser ``machine`` (its profile as JSON); returns its number.

        ``source`` is where its readings come from: ``practice``, ``camera`` or ``offline``.
        """
        if source not in SOURCES:
            raise BadEntry(f"{source!r} is none of {', '.join(SOURCES)}", path="source")
        row = (
            str(uuid.uuid4()),
            stamp(self._now()),
            source,
            as_text(machine, what="machine"),
            note,
            optional_text(state, what="state"),
        )
        with self.writing() as db:
            number = _row_id(db.execute(_NEW_ALIGNMENT, row))
        with suppress(LogError):  # old pictures that cannot go now go the next time
            self._apply_rule()
        return number

    def add_event(
        self,
        alignment_id: int,
        event: Json,
        *,
        picture: bytes | None = None,
        reading: Json | None = None,
        state: Json | None = None,
    ) -> int:
        """Keep an event, with the picture and the reading it came from; returns its number.

        ``state`` replaces the alignment's state in the same transaction: both are there or neither.
        """
        row: Json = {
            "uuid": str(uuid.uuid4()),
            "alignment": alignment_id,
            "happened": stamp(self._now()),
            "body": event_text(event),
            "reading": optional_text(reading, what="reading"),
        }
        row["checksum"] = checksum(row["uuid"], row["happened"], row["body"], row["reading"])
        state_text = optional_text(state, what="state")
        with self.writing() as db:
            _must_exist(db, "alignment", alignment_id)
            row["picture"] = None if picture is None else self.pictures.keep(picture)
            event_id = _row_id(db.execute(_NEW_EVENT, row))
            if state_text is not None:
                db.execute("UPDATE alignment SET state = ? WHERE id = ?", (state_text, alignment_id))
            return event_id

    def withdraw_event(self, event_id: int) -> None:
        """Take an event out of the document; it stays in the log, marked as withdrawn."""
        with self.writing() as db:
            _must_exist(db, "event", event_id)
            db.execute("UPDATE event SET withdrawn = 1 WHERE id = ?", (event_id,))

    def set_state(self, alignment_id: int, state: Json) -> None:
        """Keep what a program needs to carry on with this alignment, in place of what it kept before."""
        text = as_text(state, what="state")
        with self.writing() as db:
            _must_exist(db, "alignment", alignment_id)
            db.execute("UPDATE alignment SET state = ? WHERE id = ?", (text, alignment_id))

    def set_verdict(self, alignment_id: int, verdict: Json, *, done: bool) -> None:
        """Keep the newest verdict; ``done`` says that the alignment is finished."""
        text = as_text(verdict, what="verdict")
        with self.writing() as db:
            _must_exist(db, "alignment", alignment_id)
            sql = "UPDATE alignment SET verdict = ?, done = ? WHERE id = ?"
            db.execute(sql, (text, int(done), alignment_id))

    # pictures that may go

    def set_picture_rule(self, rule: PictureRule) -> None:
        """Say which pictures may go when a new alignment begins; readings never go."""
        with self.writing() as db:
            sql = (
                "INSERT INTO setting VALUES ('pictures', ?) ON CONFLICT DO UPDATE SET value = excluded.value"
            )
            db.execute(sql, (as_text(rule.as_json(), what="rule"),))
            look_anew(db)

    def picture_rule(self) -> PictureRule:
        """The rule that was set last; keeps everything until one is."""
        with self.reading() as db:
            return rule_in(db)

    def prune(self) -> Pruned:
        """Remove the pictures that the rule gives up and files that no event names; returns how much."""
        with self.writing() as db:
            look_anew(db)
        dropped = self._apply_rule()
        with self.writing() as db:  # while we hold it, nobody else is between a picture and its event
            return dropped + remove_leftovers(db, self.pictures)

    def _apply_rule(self) -> Pruned:
        with self.writing() as db:
            names = drop_pictures(db, self.pictures, rule_in(db))
        if not names:
            return Pruned()
        with self.writing() as db:
            return remove_leftovers(db, self.pictures, among=names)

    # reading

    def alignments(self) -> list[Json]:
        """All alignments, oldest first: id, uuid, started, source, note, done, verdict, the name of the
        machine as ``machine`` and the number of events as ``events``."""
        with self.reading() as db:
            rows = [dict(row) for row in db.execute(_LIST)]
        return [row | {"done": bool(row["done"]), "verdict": as_value(row["verdict"])} for row in rows]

    def newest(self, source: str | None = None) -> int | None:
        """The number of the alignment begun last (of that source), None when there is none."""
        with self.reading() as db:
            sql = "SELECT max(id) FROM alignment WHERE ?1 IS NULL OR source = ?1"
            number: int | None = db.execute(sql, (source,)).fetchone()[0]
            return number

    def document(self, alignment_id: int) -> Json:
        """``{"machine": …, "events": […]}`` in the order they happened, without what was withdrawn."""
        with self.reading() as db:
            machine = _must_exist(db, "alignment", alignment_id)["machine"]
            sql = "SELECT body FROM event WHERE alignment_id = ? AND NOT withdrawn ORDER BY sequence"
            bodies = db.execute(sql, (alignment_id,)).fetchall()
        return {"machine": json.loads(machine), "events": [json.loads(row["body"]) for row in bodies]}

    def events(self, alignment_id: int) -> list[Json]:
        """What happened, in order: id, uuid, when (UTC), event, reading, withdrawn, has_picture."""
        with self.reading() as db:
            _must_exist(db, "alignment", alignment_id)
            sql = "SELECT * FROM event WHERE alignment_id = ? ORDER BY sequence"
            return [_event_of(row) for row in db.execute(sql, (alignment_id,))]

    def picture(self, event_id: int) -> bytes | None:
        """The picture an event came from, None where there is none (any more)."""
        with self.reading() as db:
            name = _must_exist(db, "event", event_id)["picture"]
            return None if name is None else self.pictures.read(name)

    def state(self, alignment_id: int) -> Json | None:
        """What was kept last with set_state or add_event, None before that."""
        with self.reading() as db:
            state: Json | None = as_value(_must_exist(db, "alignment", alignment_id)["state"])
            return state

    def drift(
        self, station: str, *, sources: tuple[str, ...] = ("camera", "offline"), laser: str | None = None
    ) -> list[Json]:
        """How each alignment found and left the marks at a station, oldest first.

        alignment, started, found and left: distance of the first and of the last mark from the centre, mm.
        ``laser``: only the machine of that name.
        """
        with self.reading() as db:
            return [dict(row) for row in _export.drift(db, station, sources, laser)]

    def csv_texts(self) -> Iterator[str]:
        """Every event as a line of CSV (RFC 4180), in pieces; one moment in time, held while it is read."""
        with self.reading() as db:
            yield from _export.csv_texts(db)

    def json_texts(self) -> Iterator[str]:
        """The whole log but the pictures as JSON that ``import_json`` reads back, in pieces likewise."""
        with self.reading() as db:
            yield from _export.json_texts(db)

    def export_csv(self, stream: TextIO) -> None:
        """Write :meth:`csv_texts`; open a file for it with ``newline=""``."""
        stream.writelines(self.csv_texts())

    def export_json(self, stream: TextIO) -> None:
        """Write :meth:`json_texts`."""
        stream.writelines(self.json_texts())


def _identity(path: Path) -> tuple[int, int]:
    # a file that was unlinked takes writes as if nothing had happened, and then they are gone
    with one_line(path):
        told = path.stat()
        return told.st_dev, told.st_ino


def _row_id(cursor: sqlite3.Cursor) -> int:
    assert cursor.lastrowid is not None  # always there after an INSERT
    return cursor.lastrowid


def _must_exist(db: sqlite3.Connection, table: Literal["alignment", "event"], number: int) -> Any:
    row = db.execute(f"SELECT * FROM {table} WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise NoSuchEntry(f"there is no {table} {number} in this log")
    return row


def _event_of(row: sqlite3.Row) -> Json:
    return {
        "id": row["id"],
        "uuid": row["uuid"],
        "when": row["happened"],
        "event": json.loads(row["body"]),
        "reading": as_value(row["reading"]),
        "withdrawn": bool(row["withdrawn"]),
        "has_picture": row["picture"] is not None,
    }
