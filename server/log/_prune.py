"""Delete old pictures, which take most of the room, by the user's rule; never readings or test cuts.

The rule counts alignments and bytes, never days: a clock that jumps must not cost a single picture.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from server.log._checksum import checksum
from server.log._errors import BadEntry
from server.log._pictures import PictureFolder
from server.log._progress import Tell, no_progress, with_progress
from server.log._rows import change
from server.log._text import PICTURE, as_text

_NEWEST_FIRST = """
SELECT picture, alignment_id FROM event WHERE picture IS NOT NULL ORDER BY alignment_id DESC, sequence DESC
"""


@dataclass(frozen=True)
class PictureRule:
    """Keep the pictures of the newest ``keep_alignments``, and of those the newest ``keep_gb`` (10⁹ bytes).

    None: no limit of that kind. The pictures of the newest alignment always stay.
    """

    keep_alignments: int | None = None
    keep_gb: float | None = None

    def __post_init__(self) -> None:
        if self.keep_alignments is not None and self.keep_alignments < 1:
            raise BadEntry("keep at least 1 alignment", path="keep_alignments")
        if self.keep_gb is not None and not 0 <= self.keep_gb < float("inf"):
            raise BadEntry("a size in GB, 0 or more", path="keep_gb")

    def as_json(self) -> dict[str, Any]:
        """The rule as plain JSON."""
        return {"keep_alignments": self.keep_alignments, "keep_gb": self.keep_gb}


@dataclass(frozen=True)
class Pruned:
    """How many files went, and how many bytes they held."""

    pictures: int = 0
    size_bytes: int = 0

    def __add__(self, other: Pruned) -> Pruned:
        return Pruned(self.pictures + other.pictures, self.size_bytes + other.size_bytes)


def rule_in(db: sqlite3.Connection) -> PictureRule:
    """Return the rule in the log; with a damaged one, no picture is deleted."""
    value = setting(db, "pictures")
    return PictureRule() if value is None else PictureRule(**value)


def setting(db: sqlite3.Connection, name: str) -> Any:
    """The value stored under that name; None if there is none or it is damaged."""
    row = db.execute("SELECT name, value, checksum FROM setting WHERE name = ?", (name,)).fetchone()
    if row is None or row[2] != checksum(row[0], row[1]):
        return None
    return json.loads(row[1])


def keep_setting(db: sqlite3.Connection, name: str, value: Any) -> None:
    """Store a value under that name; replaces the old one."""
    text = as_text(value, what=name)
    sql = "INSERT OR REPLACE INTO setting (name, value, checksum) VALUES (?, ?, ?)"
    db.execute(sql, (name, text, checksum(name, text)))


def named_pictures(db: sqlite3.Connection) -> list[str]:
    """Every picture that an event or an entry names, in order of the name."""
    sql = """SELECT picture FROM event WHERE picture IS NOT NULL
             UNION SELECT picture FROM entry WHERE picture IS NOT NULL ORDER BY 1"""
    return [name for (name,) in db.execute(sql) if isinstance(name, str) and PICTURE.fullmatch(name)]


def drop_pictures(db: sqlite3.Connection, pictures: PictureFolder, rule: PictureRule) -> set[str]:
    """Remove the pictures that ``rule`` gives up from their events; returns their names. The files stay."""
    if rule == PictureRule():
        return set()
    newest = db.execute("SELECT coalesce(max(id), 0) FROM alignment").fetchone()[0]
    oldest = 0 if rule.keep_alignments is None else newest - rule.keep_alignments + 1
    room = float("inf") if rule.keep_gb is None else rule.keep_gb * 1e9
    seen = _seen_further(db, pictures, oldest, room)
    if seen is not None:
        _remember(db, seen)
        return set()
    rows = db.execute(_NEWEST_FIRST).fetchall()
    kept = _kept(rows, pictures, oldest, room, newest=newest)
    gone = {row[0] for row in rows} - set(kept)
    for name in gone:
        for (number,) in db.execute("SELECT id FROM event WHERE picture = ?", (name,)).fetchall():
            change(db, "event", number, picture=None)
    _remember(db, _Seen(_last_event(db), sum(kept.values()), oldest))
    return gone


def _kept(
    rows: Iterable[tuple[str, int]], pictures: PictureFolder, oldest: int, room: float, *, newest: int
) -> dict[str, int]:
    """Name → bytes of the pictures that stay."""
    kept: dict[str, int] = {}
    for name, alignment in rows:
        size = 0 if name in kept else pictures.size(name)
        room -= size
        if alignment == newest or (room >= 0 and alignment >= oldest):
            kept.setdefault(name, size)
    return kept


@dataclass(frozen=True)
class _Seen:
    """How far the rule was applied: up to which event, what was kept then, and from which alignment on."""

    event: int
    size_bytes: int
    oldest: int


def _seen_further(db: sqlite3.Connection, pictures: PictureFolder, oldest: int, room: float) -> _Seen | None:
    """Look only at what is new; returns None if a picture may have to go and all must be looked at.

    A person waits while an alignment begins, and looking at 200 000 files on a memory card takes long. A
    picture of two events may count twice here: then everything is looked at too early, never too late.
    """
    kept = setting(db, "pictures-seen")
    if kept is None:
        return None
    seen = _Seen(**kept)
    new = db.execute("SELECT DISTINCT picture FROM event WHERE id > ? AND picture IS NOT NULL", (seen.event,))
    size = seen.size_bytes + sum(pictures.size(name) for (name,) in new)
    sql = "SELECT 1 FROM event WHERE alignment_id >= ? AND alignment_id < ? AND picture IS NOT NULL LIMIT 1"
    if size > room or db.execute(sql, (seen.oldest, oldest)).fetchone():
        return None
    return _Seen(_last_event(db), size, oldest)


def _last_event(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT coalesce(max(id), 0) FROM event").fetchone()[0])


def _remember(db: sqlite3.Connection, seen: _Seen) -> None:
    keep_setting(db, "pictures-seen", asdict(seen))


def look_anew(db: sqlite3.Connection) -> None:
    """Look at every picture the next time, because the rule has changed or older events got pictures."""
    db.execute("DELETE FROM setting WHERE name = 'pictures-seen'")


def remove_leftovers(
    db: sqlite3.Connection,
    pictures: PictureFolder,
    *,
    among: Iterable[str] | None = None,
    tell: Tell = no_progress,
) -> Pruned:
    """Remove the files (all, or only ``among`` these) that no row names. The caller holds the write lock."""
    names = set(pictures.names() if among is None else among)
    named = set(named_pictures(db))
    gone = sorted(names - named)
    sizes = [pictures.remove(name) for name in with_progress(gone, "pictures", len(gone), tell)]
    return Pruned(len(sizes), sum(sizes))
