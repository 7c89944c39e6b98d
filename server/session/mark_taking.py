"""Save the mark of a pulse: which mark is new, whether it counts, and what is kept with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

from server.log import Json
from server.session.card_view import CardSight
from server.session.events import NoMark
from server.session.notes import Candidates, mark_event, pair, saved_words
from server.session.rig_state import RigView
from server.session.services import Refused, Services
from server.session.snapshot import SeenMark, marked_place
from server.session.state import SessionState
from server.solver.machine.profile import Point
from server.solver.words import station_words
from server.sources.base import Pixels, Place, Shot, Source, as_jpeg
from vision import Mark, NoReading, Reading

__all__ = ["MarkTaking", "SentMark"]

BLANKS = 2  # after this many pulses without a mark, the beam misses the card


@dataclass(frozen=True)
class SentMark:
    """A mark that a remote rig read; ``reading`` is the part that the log keeps."""

    station: str
    offset_mm: Point
    sigma_mm: Point
    width_mm: Point
    shape: str
    reading: Json


class MarkTaking:
    """Saves the mark of a pulse, or raises Refused in one line. Not thread-safe."""

    def __init__(
        self, state: SessionState, source: Source, services: Services, *, card: CardSight, rig: RigView
    ) -> None:
        self._state, self._source, self._services = state, source, services
        self._card, self._rig = card, rig

    def read(self, shot: Shot, place: Place, picture: bytes) -> None:
        """Save the one new mark, with ``picture``. If there are several, wait for a person to choose."""
        result = self._services.read(shot.after, shot.before)
        if isinstance(result, NoReading):
            self._nothing(result, shot, place, picture)
        self._card.note(result.station, result.card, shot.after.shape[:2])
        if result.station != place.station:
            self._wrong_card(result.station, place)
        marks = _fresh(result)
        if len(marks) == 1:
            self._save(result, marks[0], place, picture, shot)
            self._source.taken(shot.after)
            return
        self._hesitate(result, marks, place, picture, shot)

    def read_settled(self, shot: Shot, place: Place) -> bool:
        """Save the one new mark if it is beyond doubt; returns whether it was saved."""
        result = self._services.read(shot.after, shot.before)
        if not isinstance(result, Reading) or result.station != place.station:
            return False
        marks = _fresh(result)
        if len(marks) != 1:
            return False  # the person looks and chooses
        self._card.note(result.station, result.card, shot.after.shape[:2])
        self._save(result, marks[0], place, as_jpeg(shot.after), shot)
        self._source.taken(shot.after)
        return True

    def on_top(self, reading: Reading, picture: Pixels) -> None:
        """Offer the old mark of ``reading`` if a pulse was reported or the camera watches for one; otherwise
        keep it until a pulse is reported.
        """
        memory, state = self._state.memory, self._state
        place = memory.place
        if place is None or not memory.cautions or reading.station != place.station:
            return
        if not state.unread and not memory.used:
            state.hidden = reading.marks[0]
        if state.unread or (memory.watch and not memory.used):
            words = self._offer(reading, place, as_jpeg(picture), Shot(picture, None))
            if words:
                state.keep(said=words)

    def choose(self, index: int) -> None:
        """Save the candidate with that index."""
        waiting = self._state.candidates
        if waiting is None or not 0 <= index < len(waiting.marks):
            raise Refused("There is no such mark to choose.", path="index", status=409)
        self._save(waiting.reading, waiting.marks[index], waiting.place, waiting.picture, waiting.shot)

    def typed(self, place: Place, offset_mm: Point, sigma_mm: Point) -> None:
        """Save what a person measured: offset (u, v) from the card's centre, mm."""
        self._state.need_cautions()
        said = saved_words(offset_mm)
        memory = replace(self._state.memory, place=place, seen=None, said=said)
        self._state.save(mark_event(place, offset_mm, sigma_mm), memory)

    def no_mark(self, place: Place | None) -> None:
        """Save that the pulse left no mark; ``place`` None: where the card was said to hang.

        A blank counts after two pulses at the right card without a mark; without a camera, after the person
        has said so twice.
        """
        self._state.need_cautions()
        memory, reads = self._state.memory, self._source.reads
        at = place or memory.place
        if at is None:
            raise Refused("Say first where the card hangs.", path="station", status=409)
        if reads and (memory.misses < BLANKS or memory.place is None or not memory.place.agrees(at)):
            said = "It counts as no mark after two pulses on fresh tape: fire once more."
            raise Refused(said, path="no-mark", status=409)
        if not reads and memory.doubt != f"blank {at}":
            self._state.keep(asks=True, place=at, doubt=f"blank {at}")
            raise Refused("Fire a second pulse to be sure; then say it again.", path="no-mark", status=409)
        memory = replace(memory, place=at, used=True, said="Saved: no mark on the card")
        hanging = memory.hanging if reads else None
        self._state.save(NoMark(at.station, at.head_mm, hanging), memory)

    def delivered(
        self, rig: str, sequence: int, mark: SentMark, picture: bytes | None, *, late: bool, after: int | None
    ) -> bool:
        """Save what a remote rig read, unless it is here already; returns whether it is new.

        late : it was read before the card was hung; kept in the log, but it does not count. after : the
        number of the rig's previous reading, if readings between were lost; None: the number before this one.
        """
        last = self._state.memory.rigs.get(rig, 0)
        if sequence <= last:
            return False
        if last and (sequence - 1 if after is None else after) > last:
            raise Refused(f"Number {last + 1} of {rig} comes first.", path="sequence", status=409)
        self._save_delivered(rig, sequence, mark, picture, late=late)
        if late:
            journal = self._state.journal
            journal.withdraw(journal.entries()[-1].id)
            said = "A mark from before this card was hung arrived late: kept, but it does not count"
            self._state.keep(asks=True, seen=None, used=False, said=said)
        return True

    def _save_delivered(
        self, rig: str, sequence: int, mark: SentMark, picture: bytes | None, *, late: bool
    ) -> None:
        self._state.need_cautions()
        place, before = self._place_of(mark, late=late), self._state.memory
        seen = SeenMark(mark.station, place.head_mm, mark.offset_mm, mark.sigma_mm, mark.width_mm, mark.shape)
        memory = replace(
            before,
            place=before.place if late else place,
            seen=seen,
            used=True,
            said=saved_words(mark.offset_mm),
            rigs={**before.rigs, rig: sequence},
        )
        kept = {**mark.reading, "rig": rig, "sequence": sequence}
        event = mark_event(place, mark.offset_mm, mark.sigma_mm)
        self._state.save(event, memory, picture=picture, reading=kept)

    def _place_of(self, mark: SentMark, *, late: bool) -> Place:
        """Return where the head stood: where the card was said to hang, else where the step wants it.

        The place of a late mark is unknown; it does not count, so any place at that station will do.
        """
        for place in (self._state.memory.place, marked_place(self._state.journal.step)):
            if place is not None and place.station == mark.station:
                return place
        if late:
            return Place(mark.station, (0.0, 0.0))
        raise Refused(
            f"A mark at {station_words(mark.station)}, but nobody has said that a card hangs there: "
            "say so on the page.",
            path="station",
            status=409,
        )

    def _wrong_card(self, seen: str, place: Place) -> NoReturn:
        """Refuse the picture of another station's card; clears the place and counts no pulse."""
        self._state.keep(asks=True, place=None, misses=0)
        raise Refused(
            f"That is the card for {station_words(seen)}, but the card for {station_words(place.station)} "
            "should hang there: change the card, or choose the place where it hangs.",
            path="station",
            status=409,
        )

    def _nothing(self, result: NoReading, shot: Shot, place: Place, picture: bytes) -> NoReturn:
        if result.card is not None and result.station is not None:
            self._card.note(result.station, result.card, shot.after.shape[:2])
        if result.station is not None and result.station != place.station:
            self._wrong_card(result.station, place)
        if result.kind == "no-card":  # so the card does not hang where the person said
            self._state.keep(asks=True, place=None, misses=0)
        elif result.station is not None:
            hidden = self._state.hidden or result.on_top
            if result.card is not None and hidden is not None:
                reading = Reading(result.station, (hidden,), result.card)
                if words := self._offer(reading, place, picture, shot):
                    raise Refused(words, path="choose", status=409)
            self._miss()
            self._state.unread = True
        raise Refused(result.reason, path="picture")

    def _offer(self, reading: Reading, place: Place, picture: bytes, shot: Shot) -> str:
        """If the new mark may lie on the old one, offer the old mark and return the words for it, else "".

        Only if the frame loop saw the pulse is it sure to have landed; otherwise the person decides.
        """
        (mark,) = reading.marks
        if self._lie_elsewhere([mark], place):
            return ""
        landed = self._state.hidden is not None
        self._state.forget_pulse()
        self._state.candidates = Candidates(reading, picture, place, shot, [mark])
        self._state.keep(asks=True, misses=0, used=True)
        lies = f"on top of the old mark, to ± {max(mark.sigma_mm):.1f} mm"
        if landed:
            return f"The pulse landed {lies}. Choose that mark, or put fresh tape on and fire again."
        again = "Send a second photo, choose" if self._source.kind == "offline" else "Choose"
        return (
            f"In doubt: nothing new shows, so the mark lies {lies}, or the pulse missed. {again} the old "
            "mark, or put fresh tape on and fire again."
        )

    def _miss(self) -> None:
        self._state.keep(asks=True, misses=self._state.memory.misses + 1)

    def _hesitate(
        self, reading: Reading, marks: list[Mark], place: Place, picture: bytes, shot: Shot
    ) -> NoReturn:
        if marks:
            self._state.candidates = Candidates(reading, picture, place, shot, marks)
            self._state.keep(asks=True, misses=0, used=True)
            words = f"{len(marks)} marks in the picture: choose the newest one."
            raise Refused(words, path="choose", status=409)
        if not self._lie_elsewhere(reading.marks, place):
            self._state.keep(asks=True, misses=0, used=True)
            words = "No new mark: it may lie on the old one. Put fresh tape on and fire again."
            raise Refused(words, path="picture")
        self._miss()
        raise Refused("No new mark since the last picture.", path="picture")

    def _lie_elsewhere(self, old: Sequence[Mark], place: Place) -> bool:
        """Whether every old mark is at least its own width away from where the new one was predicted."""
        aim = self._state.journal.step.expect or self._state.memory.expect
        if not old:
            return True
        if aim is None or not place.agrees(aim):
            return False
        return all(math.dist(mark.offset_mm, aim.offset_mm) > max(mark.width_mm) for mark in old)

    def _hanging(self) -> int | None:
        """Return the number of the hanging; None for a photo, whose time of hanging is not known."""
        return self._state.memory.hanging if self._source.kind != "offline" else None

    def _save(self, reading: Reading, mark: Mark, place: Place, picture: bytes, shot: Shot) -> None:
        offset_mm, sigma_mm = pair(mark.offset_mm), pair(mark.sigma_mm)
        width_mm, warnings = pair(mark.width_mm), tuple(reading.warnings)
        seen = SeenMark(place.station, place.head_mm, offset_mm, sigma_mm, width_mm, mark.shape, warnings)
        said, before = saved_words(offset_mm), self._state.memory
        memory = replace(before, place=place, seen=seen, used=True, said=said)
        event = mark_event(place, offset_mm, sigma_mm, hanging=self._hanging())
        lid = {} if self._rig.lid_closed is None else {"lid_closed": self._rig.lid_closed}
        self._state.save(event, memory, shot=shot, picture=picture, reading=reading.as_json() | lid)


def _fresh(reading: Reading) -> list[Mark]:
    """Return the marks that the newest pulse may have made."""
    return [mark for mark in reading.marks if mark.new is not False]
