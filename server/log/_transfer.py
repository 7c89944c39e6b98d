"""Import a log: from a JSON export or from another log's folder. Importing twice is the same as once.

Everything is checked before anything is written. Writing holds the log for a tenth of a second at a time, so
that a new reading is saved at once.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from server.log._check import structure_faults
from server.log._database import at_newest, database_in, salvaged_copy
from server.log._errors import BadEntry, LogError
from server.log._import_form import AlignmentIn, EntryIn, EventIn, Parts, Source, Tables
from server.log._pictures import PictureFolder, name_of
from server.log._progress import Tell, no_progress
from server.log._prune import look_anew
from server.log._rows import change, insert, insert_sealed, sealed_head
from server.log._store import Log
from server.log._text import Json, as_text, event_text, optional_text
from server.log._upkeep import checked_entry, insert_entry

# takes machine, events, source, state and verdict; raises ValueError, with ``path`` and ``message``, for what
# it cannot read
Judge = Callable[[Json], object]
PictureOf = Callable[[str], bytes | None]
Again = Callable[[], Source]

HELD_S = 0.1  # how long the log is held, and then left alone: SQLite tries again within 0.1 s
_AT_ONCE = 2000  # rows in memory that wait to be written
_BYTES_AT_ONCE = 8e6  # of pictures that are synced together; a save has to wait for that
_OWNER = "SELECT alignment.uuid FROM event JOIN alignment ON alignment.id = alignment_id WHERE event.uuid = ?"


@dataclass
class Imported:
    """How much was new; ``lost`` has a line for each thing that was damaged in the source."""

    alignments: int = 0
    events: int = 0
    pictures: int = 0
    entries: int = 0
    lost: tuple[str, ...] = ()


def import_json(
    log: Log, stream: TextIO, *, judge: Judge | None = None, tell: Tell = no_progress
) -> Imported:
    """Import what ``export_json`` wrote: all of it or, with a BadEntry that says where, nothing.

    What is there already (by uuid) stays; new events go behind those that the alignment has. Pictures are not
    in the file; they come with :func:`import_folder`, before or after. If the disk fills up, what was
    imported until then stays, each alignment as a whole; importing again adds the rest.
    """
    with ExitStack() as stack:
        if not stream.seekable():
            stream = _kept(stream, stack)
        start = stream.tell()

        def again() -> Source:
            stream.seek(start)
            return Parts(stream)

        return _merge(log, again, PictureFolder(log.folder / "pictures").read, judge, tell)


def _kept(stream: TextIO, stack: ExitStack) -> TextIO:
    """Return a copy in a temporary file of a stream that can be read only once."""
    file: TextIO = stack.enter_context(tempfile.TemporaryFile("w+", encoding="utf-8", newline=""))  # noqa: SIM115
    try:
        shutil.copyfileobj(stream, file)
    except UnicodeDecodeError as error:
        raise BadEntry(f"not UTF-8 text ({error.reason})") from error
    file.seek(0)
    return file


def import_folder(
    log: Log, folder: Path, *, judge: Judge | None = None, tell: Tell = no_progress
) -> Imported:
    """Import another log or a backup, pictures included; otherwise as :func:`import_json`.

    From a damaged one, everything readable is imported.
    """
    lost: list[str] = []
    with _whole_or_left(folder, lost) as db:
        pictures = PictureFolder(database_in(folder).parent / "pictures")

        def picture_of(name: str) -> bytes | None:
            data = pictures.read(name)
            if data is None or name_of(data) != name:
                lost.append(f"picture {name} is missing or damaged, and left out")
                return None
            return data

        total = _merge(log, lambda: Tables(db, lost), picture_of, judge, tell)
    total.lost = tuple(dict.fromkeys(lost))
    return total


@contextmanager
def _whole_or_left(folder: Path, lost: list[str]) -> Iterator[sqlite3.Connection]:
    if not structure_faults(folder):
        with at_newest(folder) as db:
            yield db
        return
    db, found = salvaged_copy(database_in(folder))
    lost += found.lost
    with closing(db):
        yield db


def _merge(log: Log, again: Again, picture_of: PictureOf, judge: Judge | None, tell: Tell) -> Imported:
    count = _look_at_all(log, again(), judge, tell)
    target = _Target(log, picture_of)
    steps = target.steps(again())
    done = 0
    try:
        while waiting := target.some(steps):
            log.pictures.sync(target.take_names())  # before the entries that name them are on the disk
            while waiting:
                done += _write_some(log, waiting)
                tell("rows", min(done, count), count)
    except BaseException:
        with suppress(LogError):
            target.undo_half()
        raise
    with log.writing() as db:
        look_anew(db)
    return target.total


Step = Callable[[sqlite3.Connection], None]


def _write_some(log: Log, waiting: deque[Step]) -> int:
    """Write rows for a while, at least one, then leave the log alone for as long; returns how many."""
    begun = time.monotonic()
    done = 0
    with log.writing() as db:
        while done < len(waiting) and (done == 0 or time.monotonic() - begun < HELD_S):
            waiting[done](db)
            done += 1
    for _ in range(done):
        waiting.popleft()
    if time.monotonic() - begun > HELD_S / 10:
        time.sleep(HELD_S)
    return done


def _look_at_all(log: Log, source: Source, judge: Judge | None, tell: Tell) -> int:
    """Check everything before anything is written; returns how many rows there will be. Raises BadEntry."""
    count = 0
    with log.reading() as db, closing(sqlite3.connect("")) as seen:  # "": a database of its own, on the disk
        seen.execute("CREATE TABLE event (uuid BLOB PRIMARY KEY, alignment TEXT) WITHOUT ROWID")
        seen.execute("CREATE TABLE alignment (uuid TEXT PRIMARY KEY) WITHOUT ROWID")
        for number, alignment in enumerate(source.alignments()):
            _judge(judge, alignment, number)
            _check_owners(db, seen, alignment)
            count += 1 + len(alignment.events)
            tell("alignments looked at", number + 1, 0)
        for entry in source.entries():
            _entry_body(entry)
            _check_alignment(db, seen, entry)
            count += 1
    return count


def _judge(judge: Judge | None, alignment: AlignmentIn, number: int) -> None:
    if judge is None:
        return
    try:
        document = alignment.model_dump(include={"source", "machine", "state", "verdict"})
        judge(document | {"events": [event.event for event in alignment.events]})
    except ValueError as error:
        path = f"alignments.{number}.{getattr(error, 'path', '')}".rstrip(".")
        raise BadEntry(getattr(error, "message", str(error)), path=path) from error


def _check_owners(db: sqlite3.Connection, seen: sqlite3.Connection, new: AlignmentIn) -> None:
    seen.execute("INSERT OR IGNORE INTO alignment VALUES (?)", (new.uuid,))
    mine = {new.uuid, _known_as(db, new)}
    for event in new.events:
        event_text(event.event)
        name = uuid.UUID(event.uuid).bytes
        row = (
            seen.execute("SELECT alignment FROM event WHERE uuid = ?", (name,)).fetchone()
            or db.execute(_OWNER, (event.uuid,)).fetchone()
        )
        if row is not None and row[0] not in mine:
            raise BadEntry("this event belongs to another alignment already", path=f"event {event.uuid}")
        seen.execute("INSERT OR IGNORE INTO event VALUES (?, ?)", (name, new.uuid))


def _known_as(db: sqlite3.Connection, new: AlignmentIn) -> str:
    """The uuid that the log has for it: a new one if its own was damaged with the rest of its head."""
    if not new.damaged:
        return new.uuid
    owners = (db.execute(_OWNER, (event.uuid,)).fetchone() for event in new.events)
    return next((row[0] for row in owners if row is not None), new.uuid)


def _check_alignment(db: sqlite3.Connection, seen: sqlite3.Connection, new: EntryIn) -> None:
    sql = "SELECT 1 FROM alignment WHERE uuid = ?"
    if new.alignment is not None and not any(
        place.execute(sql, (new.alignment,)).fetchone() for place in (seen, db)
    ):
        raise BadEntry("belongs to an alignment that is not there", path=f"entry {new.uuid}")


def _entry_body(new: EntryIn) -> Json:
    try:
        return checked_entry(new.kind, new.body)
    except BadEntry as error:
        raise BadEntry(error.message, path=f"entry {new.uuid}.{error.path}") from error


@dataclass
class _Target:
    """Writes the rows, one step each; a transaction may have many steps."""

    log: Log
    picture_of: PictureOf
    total: Imported = field(default_factory=Imported)
    names: list[str] = field(default_factory=list)  # of pictures that are not synced yet
    unsynced_bytes: int = 0
    half: str | None = None  # uuid of a new alignment of which not all is written yet
    numbers: dict[str, int] = field(default_factory=dict)  # uuid of an alignment that came → its number here

    def steps(self, source: Source) -> Iterator[Step]:
        """One for each row, in order."""
        for alignment in source.alignments():
            yield from self._alignment(alignment)
        for entry in source.entries():
            yield self._entry(entry)

    def some(self, steps: Iterator[Step]) -> deque[Step]:
        """The next few, their pictures written but not synced."""
        waiting = deque[Step]()
        while len(waiting) < _AT_ONCE and self.unsynced_bytes < _BYTES_AT_ONCE:
            if (step := next(steps, None)) is None:
                break
            waiting.append(step)
        return waiting

    def take_names(self) -> list[str]:
        """The pictures that have to be synced now."""
        names, self.names, self.unsynced_bytes = self.names, [], 0
        return names

    def undo_half(self) -> None:
        """Remove the alignment of which only a part was written."""
        if self.half is not None:
            of_it = "(SELECT id FROM alignment WHERE uuid = ?)"
            with self.log.writing() as db:
                db.execute(f"DELETE FROM event WHERE alignment_id = {of_it}", (self.half,))
                db.execute("DELETE FROM alignment WHERE uuid = ?", (self.half,))

    def _alignment(self, new: AlignmentIn) -> Iterator[Step]:
        place = _Place()
        yield lambda db: self._begin(db, new, place)
        for event in new.events:
            yield self._event(event, place)
        yield lambda db: self._end(db, new, place)

    def _begin(self, db: sqlite3.Connection, new: AlignmentIn, place: _Place) -> None:
        sql = "SELECT id, own FROM alignment WHERE uuid = ?"
        row = db.execute(sql, (_known_as(db, new),)).fetchone()
        place.number, place.own, place.is_new = (
            (*row, False) if row else (_insert_alignment(db, new), 0, True)
        )
        self.numbers[new.uuid] = place.number
        self.half = new.uuid if place.is_new else None

    def _end(self, db: sqlite3.Connection, new: AlignmentIn, place: _Place) -> None:
        self.half = None
        self.total.alignments += place.is_new
        self.total.events += place.added
        self.total.pictures += place.pictures
        if place.added and not place.is_new and not new.damaged:
            _update_alignment(db, place, new)

    def _event(self, event: EventIn, place: _Place) -> Step:
        self._keep(event.picture)
        return lambda db: _merge_event(db, event, self._kept(event.picture), place)

    def _entry(self, new: EntryIn) -> Step:
        self._keep(new.picture)
        body = _entry_body(new)
        return lambda db: self._merge_entry(db, new, body)

    def _keep(self, name: str | None) -> None:
        """Write a picture, if it is there, long before the row that names it."""
        data = None if name is None else self.picture_of(name)
        if data is None:
            return
        try:
            kept = self.log.pictures.keep(data, sync=False)
        except FileNotFoundError:  # a prune has removed it half-written; no prune runs while the log is held
            with self.log.writing():
                kept = self.log.pictures.keep(data, sync=False)
        self.names.append(kept)
        self.unsynced_bytes += len(data)

    def _kept(self, name: str | None) -> str | None:
        """The picture's name here; writes it again if a prune has removed it. The caller holds the log."""
        if name is None or self.log.pictures.size(name):
            return name
        data = self.picture_of(name)
        return None if data is None else self.log.pictures.keep(data)

    def _merge_entry(self, db: sqlite3.Connection, new: EntryIn, body: Json) -> None:
        picture = self._kept(new.picture)
        known = db.execute("SELECT id, picture FROM entry WHERE uuid = ?", (new.uuid,)).fetchone()
        if known is not None:
            self.total.pictures += _complete(db, "entry", known, new, picture)
            return
        insert_entry(db, new.model_dump() | {"body": body}, self._alignment_of(db, new), picture)
        self.total.entries += 1
        self.total.pictures += picture is not None

    def _alignment_of(self, db: sqlite3.Connection, new: EntryIn) -> int | None:
        if new.alignment is None or new.alignment in self.numbers:
            return self.numbers.get(new.alignment or "")
        return int(db.execute("SELECT id FROM alignment WHERE uuid = ?", (new.alignment,)).fetchone()[0])


@dataclass
class _Place:
    """The alignment that events go to, once its first step was taken."""

    number: int = 0
    own: int = 0
    is_new: bool = False
    added: int = 0
    pictures: int = 0


def _merge_event(db: sqlite3.Connection, event: EventIn, picture: str | None, place: _Place) -> None:
    known = db.execute("SELECT id, picture FROM event WHERE uuid = ?", (event.uuid,)).fetchone()
    if known is not None:
        place.pictures += _complete(db, "event", known, event, picture)
        return
    last = "SELECT coalesce(max(sequence), 0) FROM event WHERE alignment_id = ?"
    row: Json = {
        "uuid": event.uuid,
        "alignment_id": place.number,
        "sequence": db.execute(last, (place.number,)).fetchone()[0] + 1,
        "happened": event.when,
        "body": event_text(event.event),
        "reading": optional_text(event.reading, what="reading"),
        "picture": picture,
        "withdrawn": int(event.withdrawn),
    }
    insert_sealed(db, "event", row)
    place.added += 1
    place.pictures += picture is not None


def _complete(
    db: sqlite3.Connection,
    table: str,
    known: tuple[int, str | None],
    new: EventIn | EntryIn,
    picture: str | None,
) -> bool:
    """Add a withdrawal or a picture that came later than its row; returns whether a picture came."""
    number, old = known
    brings = old is None and picture is not None
    fresh: dict[str, int | str | None] = {"picture": picture} if brings else {}
    if new.withdrawn:
        fresh["withdrawn"] = 1
    if fresh:
        change(db, "event" if table == "event" else "entry", number, **fresh)
    return brings


def _columns(new: AlignmentIn) -> Json:
    return {
        "uuid": new.uuid,
        "started": new.started,
        "source": new.source,
        "note": new.note,
        "machine": as_text(new.machine, what="machine"),
        "state": optional_text(new.state, what="state"),
        "verdict": optional_text(new.verdict, what="verdict"),
        "done": int(new.done),
    }


def _insert_alignment(db: sqlite3.Connection, new: AlignmentIn) -> int:
    # an imported alignment is never own: it can be looked at here but continued only where it was begun
    return insert(db, "alignment", sealed_head(_columns(new) | {"own": 0}))


def _update_alignment(db: sqlite3.Connection, place: _Place, new: AlignmentIn) -> None:
    """Update an alignment; one that was begun here keeps its profile and state."""
    columns = _columns(new) | {"own": 0}
    kept = {"uuid", "verdict", "done"} if place.own else {*columns}
    if new.verdict is None:  # it may be damaged in the source; an existing one is never removed
        kept -= {"verdict", "done"}
    row = sealed_head({name: columns[name] for name in columns if name in kept})
    marks = ", ".join(f"{name} = ?" for name in row)
    db.execute(f"UPDATE alignment SET {marks} WHERE id = ?", (*row.values(), place.number))
