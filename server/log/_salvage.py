"""Collect everything readable from damaged logs, alignment by alignment, and list what is lost."""

from __future__ import annotations

import json
import re
import sqlite3
import uuid
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from server.log import _checksum as sums
from server.log._file_format import Found, rows_in
from server.log._rows import insert, insert_sealed, sealed_head
from server.log._schema import KINDS, SOURCES, migrate, older_checksum
from server.log._text import MOMENT, NO_PROFILE, PICTURE, UUID, Json

_ALIGNMENT = ("uuid", "started", "source", "machine", "note", "state", "verdict", "done")
_EVENT = sums.EVENT
_ENTRY = sums.ENTRY
_EVENT_WIDTHS = (26, 27)  # of version 1, of all later ones
_HEAD_WIDTHS = (9, 13)  # of versions 1 to 3, of version 4
_MOST = 1_000_000  # events of one alignment; a number above is damaged
_SHOWN = 160  # letters of a damaged entry that are shown


@dataclass(frozen=True)
class _Row:
    """One row as it was found: in which file, with which number, and whether its checksum is right."""

    file: int
    number: int
    sound: bool
    live: bool
    fields: Json

    def rank(self) -> tuple[bool, bool, int]:
        return self.sound, self.live, -self.file


@dataclass
class Salvage:
    """The best version of each row by its uuid; ``lost`` has one line for each loss."""

    alignments: dict[str, _Row] = field(default_factory=dict)
    events: dict[str, _Row] = field(default_factory=dict)
    entries: dict[str, _Row] = field(default_factory=dict)
    owners: dict[tuple[int, int], str] = field(default_factory=dict)  # file, number → uuid of an alignment
    twins: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)  # the same in another file
    last: dict[str, int] = field(default_factory=dict)  # table → the largest number that it ever gave
    lengths: dict[int, int] = field(default_factory=dict)  # alignment → how many events it had
    machines: set[str] = field(default_factory=set)  # the profiles that are known to be whole
    heads: dict[str, list[_Row]] = field(default_factory=lambda: defaultdict(list))  # uuid → all of them
    newest: dict[tuple[int, int], int] = field(default_factory=dict)  # file, number → last event there
    lost: list[str] = field(default_factory=list)


def salvage(files: Sequence[Path]) -> Salvage:
    """Read everything readable from these databases; if several have a row, the first sound one counts.

    Raises OSError if a file cannot be read at all.
    """
    found = Salvage()
    for number, path in enumerate(files):
        for record in rows_in(path):
            _take(found, number, record)
    _heal_heads(found)
    _settle_owners(found)
    if files:
        _ask_sqlite(found, files[0])
    return found


def _heal_heads(found: Salvage) -> None:
    """Repair damaged profiles: alignments of one laser share a profile, and the checksum shows which fits."""
    machines = {row.fields["machine"] for row in found.alignments.values() if row.sound}
    found.machines = machines
    for name, row in found.alignments.items():
        if not row.sound and (fields := sums.healed_head(row.fields, machines)) is not None:
            found.alignments[name] = replace(row, sound=True, fields=row.fields | fields)


def _settle_owners(found: Salvage) -> None:
    """Find lost or damaged heads in another file that has events of the same alignment."""
    for row in sorted(found.alignments.values(), key=_Row.rank):
        found.owners[row.file, row.number] = row.fields["uuid"]
    for place, other in found.twins.items():
        here, there = (found.alignments.get(found.owners.get(at, "")) for at in (place, other))
        if there is not None and (here is None or (there.sound and not here.sound)):
            found.owners[place] = there.fields["uuid"]


def _take(found: Salvage, file: int, record: Found) -> None:
    for rows, made in (
        (found.events, _event(record)),
        (found.alignments, _alignment(record)),
        (found.entries, _entry(record)),
    ):
        if made is not None:
            fields, whole = made
            row = _Row(file, record.rowid, whole, record.live, fields)
            known = rows.get(fields["uuid"])
            if known is not None and known.file != file and rows is found.events:
                found.twins[known.file, known.fields["alignment_id"]] = file, fields["alignment_id"]
            if known is None or row.rank() > known.rank():
                rows[fields["uuid"]] = row
            if rows is found.alignments:
                found.owners.setdefault((file, record.rowid), fields["uuid"])
                found.heads[fields["uuid"]].append(row)
            if rows is found.events and whole:
                place = file, fields["alignment_id"]
                found.newest[place] = max(found.newest.get(place, 0), fields["sequence"])


def _ask_sqlite(found: Salvage, path: Path) -> None:
    """Count the rows of each kind from the indexes alone, where SQLite still can."""
    sql = "SELECT alignment_id, max(sequence) FROM event GROUP BY 1"
    with suppress(sqlite3.Error, UnicodeError, ValueError), closing(_opened(path)) as db:
        for name, last in db.execute("SELECT name, seq FROM sqlite_sequence"):
            if isinstance(last, int):  # whatever it says, it may be damaged
                found.last[str(name)] = last
        for number, last in db.execute(sql):
            if isinstance(number, int) and isinstance(last, int):
                found.lengths[number] = last


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


def _event(record: Found) -> tuple[Json, bool] | None:
    if len(record.values) not in _EVENT_WIDTHS:
        return None
    fields = dict(zip(_EVENT, record.values[1:9], strict=True))
    kept = record.values[26] if len(record.values) > 26 else None
    whole = kept == sums.sum_of(fields, _EVENT) or _old_and_whole(fields, kept)
    return fields, whole and _is_json(fields["body"])


def _entry(record: Found) -> tuple[Json, bool] | None:
    if len(record.values) != 9 or record.values[2] not in KINDS:
        return None
    fields = dict(zip(_ENTRY, record.values[1:8], strict=True))
    kept = record.values[8]
    whole = kept == sums.sum_of(fields, _ENTRY) or _old_and_whole(fields, kept)
    return fields, whole and _is_json(fields["body"])


def _old_and_whole(fields: Json, kept: object) -> bool:
    """Whether a row of versions 1 to 3 is sound; they had a checksum over a part of them, or none."""
    texts = (fields["uuid"], fields["happened"], fields["body"], fields.get("reading"))
    if not all(isinstance(text, str) for text in texts[:3]) or not isinstance(texts[3], str | None):
        return False
    number, picture = fields["alignment_id"], fields["picture"]
    fits = isinstance(number, int | None) and fields["withdrawn"] in (0, 1)
    fits = fits and (picture is None or bool(PICTURE.fullmatch(str(picture))))
    with suppress(UnicodeError):
        return fits and kept in (None, older_checksum(*texts)) and bool(re.fullmatch(MOMENT, texts[1]))
    return False


def _alignment(record: Found) -> tuple[Json, bool] | None:
    """Return the columns of an alignment with own, sound_state and sound_verdict, and whether its head is
    sound; None for anything else."""
    if len(record.values) not in _HEAD_WIDTHS:
        return None
    fields = dict(zip(_ALIGNMENT, record.values[1:9], strict=True))
    if len(record.values) == 9:
        if not (_plausible(fields) and fields["done"] in (0, 1)):
            return None
        return fields | {"own": 1, "sound_state": _is_json(fields["state"]), "sound_verdict": True}, True
    fields["own"], head, state, verdict = record.values[9:]
    fields["head_checksum"] = head
    whole = head == sums.sum_of(fields, sums.HEAD)
    if not (whole or _plausible(fields)):
        return None
    fields["sound_state"] = state == sums.sum_of(fields, sums.STATE)
    fields["sound_verdict"] = verdict == sums.sum_of(fields, sums.VERDICT)
    return fields, whole


def _plausible(fields: Json) -> bool:
    """Whether it may be the head of an alignment at all."""
    texts = all(isinstance(fields[name], str) for name in ("uuid", "started", "source", "machine", "note"))
    return (
        texts
        and bool(re.fullmatch(UUID, fields["uuid"]))
        and bool(re.fullmatch(MOMENT, fields["started"]))
        and fields["source"] in SOURCES
    )


def _is_json(text: object) -> bool:
    if text is None:
        return True
    try:
        return isinstance(text, str) and isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False


@dataclass
class _Group:
    """One alignment as it will be written: its head, if there is any left, and its events in order."""

    number: int
    uuid: str
    head: _Row | None
    events: list[_Row]
    faults: list[str]


def write(found: Salvage, db: sqlite3.Connection) -> None:
    """Write everything into an empty database, as the newest version; adds to ``found.lost``."""
    migrate(db)
    db.execute("BEGIN")
    numbers: dict[str, int] = {}
    for group in _groups(found):
        numbers[group.uuid] = group.number
        _write_head(db, group, found.machines)
        _write_events(db, group)
        found.lost += [f"alignment {group.number}: {fault}" for fault in group.faults]
    for row in sorted(found.entries.values(), key=lambda row: (row.number, row.file)):
        _write_entry(db, found, row, numbers)
    _tell_the_end(found)
    db.execute("COMMIT")


def _groups(found: Salvage) -> Iterator[_Group]:
    events = defaultdict[str, list[_Row]](list)
    for row in found.events.values():
        if isinstance(row.fields["alignment_id"], int) and isinstance(row.fields["sequence"], int):
            events[_owner(found, row)].append(row)
        else:
            found.lost.append(f"an entry (number {row.number}) is damaged: {_shown(row.fields)}")
    order = sorted({*found.alignments, *events}, key=lambda name: _place(found, name, events[name]))
    taken = set[int]()
    for name in order:
        rows = events[name]
        head = _completed(found, found.alignments.get(name), rows)
        number = head.number if head else rows[0].fields["alignment_id"]
        if not any(row.sound for row in rows) and (head is None or not head.sound):
            _tell_damaged(found, number, head, rows)
            continue
        number = number if number not in taken and 0 < number < 1 << 62 else max(taken, default=0) + 1
        taken.add(number)
        place = _place(found, name, rows)
        yield _group(number, name, head, rows, found.lengths.get(place[1], 0) if place[0] == 0 else 0)


def _completed(found: Salvage, head: _Row | None, events: list[_Row]) -> _Row | None:
    """A damaged state or verdict is taken from another file, if that has all the entries that go with it."""
    if head is None or not head.sound:
        return head
    last = max((row.fields["sequence"] for row in events if row.sound), default=0)
    fields = head.fields
    for part, names in (("sound_state", ("state",)), ("sound_verdict", ("verdict", "done"))):
        for other in found.heads[fields["uuid"]]:
            as_new = other.file != head.file and found.newest.get((other.file, other.number), 0) == last
            if not fields[part] and other.live and other.sound and other.fields[part] and as_new:
                fields = fields | {name: other.fields[name] for name in (*names, part)}
    return replace(head, fields=fields)


def _place(found: Salvage, name: str, rows: list[_Row]) -> tuple[int, int]:
    head = found.alignments.get(name)
    return (head.file, head.number) if head else (rows[0].file, rows[0].fields["alignment_id"])


def _owner(found: Salvage, row: _Row) -> str:
    """Return the uuid of an event's alignment, a new one if its head is lost."""
    number = row.fields["alignment_id"]
    return found.owners.get((row.file, number)) or str(uuid.uuid5(uuid.NAMESPACE_OID, f"{row.file} {number}"))


def _tell_damaged(found: Salvage, number: int, head: _Row | None, rows: list[_Row]) -> None:
    found.lost += [f"alignment {number}: an entry is damaged: {_shown(row.fields)}" for row in rows]
    if head is not None:
        found.lost.append(f"alignment {number}: it is damaged, and nothing of it is left")


def _group(number: int, name: str, head: _Row | None, rows: list[_Row], length: int) -> _Group:
    faults = []
    if head is None:
        faults.append("its laser's profile and its note are lost")
    elif not head.sound:
        faults.append("its laser's profile or its note is damaged; a profile that no other has is left out")
    whole = sorted((row for row in rows if row.sound), key=lambda row: row.fields["sequence"])
    at = {row.fields["sequence"] for row in whole}
    damaged = [row for row in rows if not row.sound and row.fields["sequence"] not in at]
    missing = sorted(set(range(1, min(max(at | {length}), _MOST) + 1)) - at)
    faults += [f"entry {row.fields['sequence']} is damaged: {_shown(row.fields)}" for row in damaged]
    already_named = {row.fields["sequence"] for row in damaged}
    faults += [f"entry {place} is lost" for place in missing if place not in already_named]
    if head is not None and head.sound and not head.fields["sound_state"]:
        faults.append("its state is damaged; it cannot be continued")
    if head is not None and head.sound and not head.fields["sound_verdict"]:
        faults.append("its verdict is damaged")
    return _Group(number, name, head, whole, faults)


def _shown(fields: Json) -> str:
    text = fields["body"]
    text = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
    return " ".join(ascii(text)[1:-1].split())[:_SHOWN]


def _write_head(db: sqlite3.Connection, group: _Group, machines: set[str]) -> None:
    head = {"uuid": group.uuid, "note": "", "machine": NO_PROFILE, "source": "offline", "own": 0}
    head |= {"started": group.events[0].fields["happened"] if group.events else ""}
    fields: Json = group.head.fields if group.head else head
    row = {name: fields.get(name) for name in ("uuid", "started", "source", "machine", "note", "own")}
    whole_uuid = bool(fields.get("sound_state"))  # which is in that checksum too
    whole_head = group.head is None or group.head.sound or (whole_uuid and row["machine"] in machines)
    if not (whole_head and _is_json(row["machine"])):
        row["machine"] = NO_PROFILE  # one wrong number would mislead, or be refused on import
    if group.faults:  # an incomplete alignment is never continued
        row |= {"own": 0, "note": f"{row['note']} (rescued; not all of it is there)".strip()}
    row["state"] = fields["state"] if fields.get("sound_state") else None
    whole = bool(fields.get("sound_verdict"))
    row |= {"verdict": fields["verdict"] if whole else None, "done": fields["done"] if whole else 0}
    insert(db, "alignment", {"id": group.number} | sealed_head(row))


def _write_events(db: sqlite3.Connection, group: _Group) -> None:
    for place, event in enumerate(group.events, start=1):
        row = event.fields | {"alignment_id": group.number, "sequence": place}
        taken = db.execute("SELECT 1 FROM event WHERE id = ?", (event.number,)).fetchone()
        number = {} if taken or not 0 < event.number < 1 << 62 else {"id": event.number}
        insert_sealed(db, "event", number | row)


def _write_entry(db: sqlite3.Connection, found: Salvage, entry: _Row, numbers: dict[str, int]) -> None:
    if not entry.sound:
        found.lost.append(
            f"{entry.fields['kind']} (number {entry.number}) is damaged: {_shown(entry.fields)}"
        )
        return
    of = entry.fields["alignment_id"]
    number = None if of is None else numbers.get(found.owners.get((entry.file, of), ""))
    insert_sealed(db, "entry", entry.fields | {"alignment_id": number})


def _tell_the_end(found: Salvage) -> None:
    """Report lost alignments, cuts and upkeep at the end, where no gap shows them."""
    for table, rows in (("alignment", found.alignments), ("entry", found.entries)):
        last = max((row.number for row in rows.values() if row.file == 0), default=0)
        missing = found.last.get(table, 0) - last
        if missing > 0:
            words = {"alignment": "alignments", "entry": "cuts or upkeep"}[table]
            found.lost.append(f"{words}: the last {missing} are lost")
