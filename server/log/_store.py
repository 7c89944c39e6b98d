"""The log: alignments and their events, in order; a power cut loses nothing that was saved."""

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
from typing import Literal, TextIO, TypeVar

from server.log import _export
from server.log._check import structure_faults
from server.log._checksum import ALIGNMENT, EVENT, HEAD, STATE, sound
from server.log._database import FILE_NAME, open_reader, open_writer, salvaged_copy
from server.log._errors import BadEntry, Damaged, DamagedRow, LogError, NoSuchEntry, one_line
from server.log._pictures import PictureFolder
from server.log._progress import Tell, no_progress
from server.log._prune import (
    PictureRule,
    Pruned,
    drop_pictures,
    keep_setting,
    look_anew,
    remove_leftovers,
    rule_in,
)
from server.log._rescue import Rescue, rescue_if_damaged
from server.log._rows import change, insert, insert_sealed, sealed_head
from server.log._schema import SOURCES
from server.log._text import (
    Json,
    as_text,
    as_value,
    event_text,
    name_in,
    optional_text,
    stamp,
    utc_now,
)

Access = Literal["create", "existing", "read-only"]

_LIST = """
SELECT *, (SELECT count(*) FROM event WHERE alignment_id = alignment.id) AS events FROM alignment ORDER BY id
"""
_LAST = "SELECT coalesce(max(sequence), 0) FROM event WHERE alignment_id = ?"
_GONE = "'spotwright log rescue' puts a sound log beside it and says what is lost"

T = TypeVar("T")


class Log:
    """One folder with the database and its pictures. Safe to use from several threads and programs at once.

    A method that writes returns only when the data would survive a power cut. All methods raise LogError with
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
        self.rescued: Rescue | None = None  # what was done because the log was damaged when opened
        self.lost: tuple[str, ...] = ()  # what could not be read from a damaged log
        self._writer = self._open(access)
        self._file = _identity(self._path)
        self._closer = weakref.finalize(self, self._writer.close) if self._writer else None

    def _open(self, access: Access) -> sqlite3.Connection | None:
        if access == "read-only":
            self.read(lambda _: None)
            return None
        self.rescued = rescue_if_damaged(self.folder)
        return open_writer(self.folder, create=access == "create")

    def now(self) -> datetime:
        """Return the time stamp for an entry made now."""
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
        """One transaction: on disk when the block ends, undone if it raises."""
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
        """A separate connection, so that a long export never delays a new reading; raises Damaged."""
        with closing(open_reader(self.folder)) as db, one_line(self._path):
            db.row_factory = sqlite3.Row
            db.execute("BEGIN")  # one moment in time for all that is read
            yield db

    @contextmanager
    def _reading_what_is_left(self) -> Iterator[sqlite3.Connection]:
        """All that can be read of a damaged log, put together in memory; ``lost`` then says what cannot."""
        db, found = salvaged_copy(self._path)
        with closing(db), one_line(self._path):
            db.row_factory = sqlite3.Row
            self.lost = (f"{self._path}: is damaged; {_GONE}", *found.lost)
            yield db

    def read(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Return what ``work`` returns; if the database is damaged, it gets what is still readable."""
        try:
            with self.reading() as db:
                return work(db)
        except DamagedRow:
            raise
        except Damaged:
            with self._reading_what_is_left() as db:
                return work(db)

    # writing

    def start_alignment(
        self, *, machine: Json, source: str, note: str = "", state: Json | None = None
    ) -> int:
        """Begin an alignment of the laser ``machine`` (its profile as JSON); returns its number.

        ``source`` is where its readings come from: ``practice``, ``camera`` or ``offline``.
        """
        if source not in SOURCES:
            raise BadEntry(f"{source!r} is none of {', '.join(SOURCES)}", path="source")
        head: Json = {
            "uuid": str(uuid.uuid4()),
            "started": stamp(self._now()),
            "source": source,
            "machine": as_text(machine, what="machine"),
            "note": note,
            "own": 1,
            "state": optional_text(state, what="state"),
            "verdict": None,
            "done": 0,
        }
        with self.writing() as db:
            number = insert(db, "alignment", sealed_head(head))
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
        """Save an event, with the picture and the reading it came from; returns its number.

        ``state`` replaces the alignment's state in the same transaction: both are saved or neither.
        """
        row: Json = {
            "uuid": str(uuid.uuid4()),
            "alignment_id": alignment_id,
            "happened": stamp(self._now()),
            "body": event_text(event),
            "reading": optional_text(reading, what="reading"),
            "withdrawn": 0,
        }
        state_text = optional_text(state, what="state")
        with self.writing() as db:
            head = _must_exist(db, "alignment", alignment_id)
            row["picture"] = None if picture is None else self.pictures.keep(picture)
            row["sequence"] = db.execute(_LAST, (alignment_id,)).fetchone()[0] + 1
            event_id = insert_sealed(db, "event", row)
            if state_text is not None:
                _update(db, head, state=state_text)
            return event_id

    def withdraw_event(self, event_id: int) -> None:
        """Take an event out of the document; it stays in the log, marked as withdrawn."""
        with self.writing() as db:
            if not change(db, "event", event_id, withdrawn=1):
                raise NoSuchEntry(f"there is no event {event_id} in this log")

    def set_state(self, alignment_id: int, state: Json) -> None:
        """Save what a program needs to continue this alignment; replaces the last state."""
        text = as_text(state, what="state")
        with self.writing() as db:
            _update(db, _must_exist(db, "alignment", alignment_id), state=text)

    def set_verdict(self, alignment_id: int, verdict: Json, *, done: bool) -> None:
        """Keep the newest verdict; ``done`` says that the alignment is finished."""
        text = as_text(verdict, what="verdict")
        with self.writing() as db:
            _update(db, _must_exist(db, "alignment", alignment_id), verdict=text, done=int(done))

    # deleting pictures

    def set_picture_rule(self, rule: PictureRule) -> None:
        """Set which pictures may be deleted when a new alignment begins; readings never are."""
        with self.writing() as db:
            keep_setting(db, "pictures", rule.as_json())
            look_anew(db)

    def picture_rule(self) -> PictureRule:
        """Return the rule that was set last; the default keeps everything."""
        return self.read(rule_in)

    def prune(self, *, tell: Tell = no_progress) -> Pruned:
        """Remove the pictures that the rule gives up and files that no event names; returns how much."""
        with self.writing() as db:
            look_anew(db)
        dropped = self._apply_rule()
        with self.writing() as db:  # so that no other writer has a picture on disk but not yet its event
            return dropped + remove_leftovers(db, self.pictures, tell=tell)

    def _apply_rule(self) -> Pruned:
        with self.writing() as db:
            names = drop_pictures(db, self.pictures, rule_in(db))
        if not names:
            return Pruned()
        with self.writing() as db:
            return remove_leftovers(db, self.pictures, among=names)

    # reading

    def alignments(self) -> list[Json]:
        """All alignments, oldest first: id, uuid, started, source, note, done, verdict, own (False:
        imported), the name of the machine as ``machine``, the number of events as ``events``; ``damaged``:
        whether any of it is, which is then empty.
        """
        return self.read(lambda db: [_listed(db, row) for row in db.execute(_LIST)])

    def newest(self, source: str | None = None) -> int | None:
        """The number of the alignment begun last here (of that source), None when there is none.

        Imported alignments do not count, nor do those that are too damaged to be continued.
        """

        def find(db: sqlite3.Connection) -> int | None:
            cursor = db.execute(
                "SELECT * FROM alignment WHERE ?1 IS NULL OR source = ?1 ORDER BY id DESC", (source,)
            )
            whole = (
                row["id"] for row in cursor if row["own"] and _head_is_sound(row) and _state_is_sound(row)
            )
            return next(whole, None)

        return self.read(find)

    def machine(self, alignment_id: int) -> Json:
        """The profile of an alignment's laser; raises Damaged where it is."""
        return self.read(lambda db: _machine_of(db, _must_exist(db, "alignment", alignment_id)))

    def document(self, alignment_id: int) -> Json:
        """``{"machine": …, "events": […]}`` in the order they happened, without what was withdrawn.

        Raises Damaged if any of it is: a step from an incomplete document would mislead.
        """

        def find(db: sqlite3.Connection) -> Json:
            machine = _machine_of(db, _must_exist(db, "alignment", alignment_id))
            rows = [row for row in _events_of(db, alignment_id) if not _counts_no_more(row)]
            return {"machine": machine, "events": [json.loads(row["body"]) for row in rows]}

        return self.read(find)

    def events(self, alignment_id: int) -> list[Json]:
        """What happened, in order: id, uuid, when (UTC), event, reading, withdrawn, has_picture, damaged.

        A damaged one has no content; its event is of the kind ``damaged``.
        """

        def find(db: sqlite3.Connection) -> list[Json]:
            _must_exist(db, "alignment", alignment_id)
            return [_event_of(row) for row in _events_of(db, alignment_id)]

        return self.read(find)

    def picture(self, event_id: int) -> bytes | None:
        """Return the picture an event came from, None if there is none (any more)."""
        row = self.read(lambda db: _must_exist(db, "event", event_id))
        if row["picture"] is None or not sound(row, EVENT):
            return None
        return self.pictures.read(row["picture"])

    def state(self, alignment_id: int) -> Json | None:
        """Return the state saved last with set_state or add_event; None before that, or if damaged."""
        row = self.read(lambda db: _must_exist(db, "alignment", alignment_id))
        state: Json | None = as_value(row["state"]) if _state_is_sound(row) else None
        return state

    def drift(
        self, station: str, *, sources: tuple[str, ...] = ("camera", "offline"), laser: str | None = None
    ) -> list[Json]:
        """Return how far off the marks at a station were before and after each alignment, oldest first.

        alignment, started, found and left: distance of the marks from the centre, mm; found that of the
        first mark, left the verdict's number, or that of the last mark where there is no verdict.
        ``laser``: only the machine of that name.
        """
        return self.read(lambda db: _export.drift(db, station, sources, laser))

    def csv_texts(self) -> Iterator[str]:
        """Every event as a line of CSV (RFC 4180), in pieces; one moment in time, held while it is read.

        ``lost`` says afterwards which rows are damaged and therefore not in it.
        """
        yield from self._texts(_export.csv_texts)

    def json_texts(self) -> Iterator[str]:
        """The whole log but the pictures as JSON that ``import_json`` reads back, in pieces likewise."""
        yield from self._texts(_export.json_texts)

    def _texts(self, write: Callable[[_export.Rows], Iterator[str]]) -> Iterator[str]:
        lost: list[str] = []
        with self._readable() as db:
            yield from write(_export.Rows(db, lost))
        self.lost += tuple(lost)

    @contextmanager
    def _readable(self) -> Iterator[sqlite3.Connection]:
        """The database if it is sound as a file, else what is left of it."""
        try:
            whole = not structure_faults(self.folder)
        except LogError:
            whole = True  # reading says what it is
        with self.reading() if whole else self._reading_what_is_left() as db:
            yield db

    def export_csv(self, stream: TextIO) -> None:
        """Write :meth:`csv_texts`; open a file for it with ``newline=""``."""
        stream.writelines(self.csv_texts())

    def export_json(self, stream: TextIO) -> None:
        """Write :meth:`json_texts`."""
        stream.writelines(self.json_texts())


def _identity(path: Path) -> tuple[int, int]:
    # an unlinked file accepts writes without an error, and then they are lost
    with one_line(path):
        status = path.stat()
        return status.st_dev, status.st_ino


def _must_exist(db: sqlite3.Connection, table: Literal["alignment", "event"], number: int) -> sqlite3.Row:
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    row: sqlite3.Row | None = cursor.execute(f"SELECT * FROM {table} WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise NoSuchEntry(f"there is no {table} {number} in this log")
    return row


def _update(db: sqlite3.Connection, head: sqlite3.Row, **new: int | str | None) -> None:
    values = sealed_head({"uuid": head["uuid"]} | new)
    marks = ", ".join(f"{name} = ?" for name in values)
    db.execute(f"UPDATE alignment SET {marks} WHERE id = ?", (*values.values(), head["id"]))


def _head_is_sound(row: sqlite3.Row) -> bool:
    return sound(row, HEAD, kept="head_checksum")


def _state_is_sound(row: sqlite3.Row) -> bool:
    return sound(row, STATE, kept="state_checksum")


def _machine_of(db: sqlite3.Connection, row: sqlite3.Row) -> Json:
    head = _export.whole_head(db, row)
    if head is None:
        raise DamagedRow(f"alignment {row['id']} is damaged; {_GONE}")
    machine: Json = json.loads(head["machine"])
    return machine


def _events_of(db: sqlite3.Connection, alignment_id: int) -> list[sqlite3.Row]:
    sql = f"SELECT id, checksum, {', '.join(EVENT)} FROM event WHERE alignment_id = ? ORDER BY sequence"
    return db.execute(sql, (alignment_id,)).fetchall()


def _counts_no_more(row: sqlite3.Row) -> bool:
    if not sound(row, EVENT):
        raise DamagedRow(f"entry {row['sequence']} of alignment {row['alignment_id']} is damaged; {_GONE}")
    return bool(row["withdrawn"])


def _listed(db: sqlite3.Connection, row: sqlite3.Row) -> Json:
    whole = {kept: sound(row, columns, kept=kept) for kept, columns in ALIGNMENT.items()}
    shown = {"id": row["id"], "events": row["events"], "own": row["own"] != 0}
    shown |= {"damaged": not all(whole.values())}
    head = row if whole["head_checksum"] else _export.whole_head(db, row)
    if head is None:
        nothing = {"uuid": "", "started": "", "source": "", "note": "", "machine": None}
        return shown | nothing | {"done": False, "verdict": None}
    shown |= {name: head[name] for name in ("uuid", "started", "source", "note")}
    shown |= {"machine": name_in(head["machine"])}
    if not whole["verdict_checksum"]:
        return shown | {"done": False, "verdict": None}
    return shown | {"done": bool(row["done"]), "verdict": as_value(row["verdict"])}


def _event_of(row: sqlite3.Row) -> Json:
    if not sound(row, EVENT):
        nothing = {"uuid": "", "when": "", "event": {"kind": "damaged"}, "reading": None}
        return nothing | {"id": row["id"], "withdrawn": False, "has_picture": False, "damaged": True}
    return {
        "id": row["id"],
        "uuid": row["uuid"],
        "when": row["happened"],
        "event": json.loads(row["body"]),
        "reading": as_value(row["reading"]),
        "withdrawn": bool(row["withdrawn"]),
        "has_picture": row["picture"] is not None,
        "damaged": False,
    }
