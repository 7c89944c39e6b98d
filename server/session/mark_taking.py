"""From what was seen of a pulse to a saved mark: which is new, whether it can count, what is kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from server.session.card_view import CardSight
from server.session.notes import Candidates, mark_event, name_of, saved_words
from server.session.rig_state import RigView
from server.session.services import Brain, Refused
from server.session.state import Standing
from server.sources.base import Place, Shot, Source, as_jpeg
from vision import Mark, NoReading, Reading

__all__ = ["Taking"]

Json = dict[str, Any]


class Taking:
    """Saves the mark of a pulse, or raises Refused in one line. Whoever calls from several threads locks."""

    def __init__(
        self, standing: Standing, source: Source, brain: Brain, *, card: CardSight, rig: RigView
    ) -> None:
        self._standing, self._source, self._brain = standing, source, brain
        self._card, self._rig = card, rig

    def read(self, shot: Shot, place: Place, picture: bytes) -> None:
        """Save the one new mark; ``picture`` is kept with it. Several wait for a person's choice."""
        result = self._brain.read(shot.after, shot.before)
        if isinstance(result, NoReading):
            self._nothing(result, shot)
            return
        self._card.note(result.station, result.card, shot.after.shape[:2])
        if result.station != place.station:
            self._standing.keep()
            raise Refused(
                f"That is the card of {name_of(result.station)}, but it should hang at "
                f"{name_of(place.station)}: change the card, or choose the place where it hangs.",
                path="station",
            )
        marks = _fresh(result)
        if len(marks) == 1:
            self._save(result, marks[0], place, picture, shot)
            self._source.taken(shot.after)
            return
        self._hesitate(result, marks, place, picture, shot)

    def read_settled(self, shot: Shot, place: Place) -> bool:
        """Save the one new mark if nothing speaks against it; returns whether it was saved."""
        result = self._brain.read(shot.after, shot.before)
        if not isinstance(result, Reading) or result.station != place.station:
            return False
        marks = _fresh(result)
        if len(marks) != 1:
            return False  # the person looks and chooses
        self._card.note(result.station, result.card, shot.after.shape[:2])
        self._save(result, marks[0], place, as_jpeg(shot.after), shot)
        self._source.taken(shot.after)
        return True

    def choose(self, index: int) -> None:
        """Save that one of the candidates."""
        waiting = self._standing.candidates
        if waiting is None or not 0 <= index < len(waiting.marks):
            raise Refused("There is no such mark to choose.", path="index", status=409)
        self._save(waiting.reading, waiting.marks[index], waiting.place, waiting.picture, waiting.shot)

    def typed(self, place: Place, offset_mm: list[float], sigma_mm: float) -> None:
        """Save what a person measured: offset (u, v) from the card's centre, mm."""
        self._standing.need_cautions()
        said = saved_words(offset_mm)
        memory = replace(self._standing.memory, place=place, seen=None, missed=False, said=said)
        self._standing.save(mark_event(place, offset_mm, sigma_mm), memory)

    def no_mark(self, place: Place | None) -> None:
        """Save that the pulse left nothing; None: where the card was said to hang."""
        self._standing.need_cautions()
        at = place or self._standing.memory.place
        if at is None:
            raise Refused("Say first where the card hangs.", path="station", status=409)
        memory = replace(self._standing.memory, place=at, missed=False, said="Saved: no mark on the card")
        self._standing.save({"kind": "no-mark", **at.as_json()}, memory)

    def delivered(self, rig: str, sequence: int, reading: Json, picture: bytes | None, *, late: bool) -> bool:
        """Save what a rig elsewhere read unless it is here already; returns whether it is new.

        late : it is from before the card was hung; kept in the log, but it does not count.
        """
        last = self._standing.memory.rigs.get(rig, 0)
        if sequence <= last:
            return False
        if last and sequence > last + 1:
            raise Refused(f"Number {last + 1} of {rig} comes first.", path="sequence", status=409)
        self._save_delivered(rig, sequence, reading, picture)
        if late:
            journal = self._standing.journal
            journal.withdraw(journal.events()[-1]["id"])
            said = "A mark from before the card was hung came late: kept, but it does not count"
            self._standing.keep(asks=True, seen=None, used=False, said=said)
        return True

    def _save_delivered(self, rig: str, sequence: int, reading: Json, picture: bytes | None) -> None:
        self._standing.need_cautions()
        event = mark_event(self._place_of(reading), reading["offset_mm"], reading["sigma_mm"])
        memory = replace(
            self._standing.memory,
            place=Place.from_json(event),
            seen={**event, "width_mm": reading["width_mm"], "shape": reading["shape"], "warnings": []},
            missed=False,
            used=True,
            said=saved_words(event["offset_mm"]),
            rigs={**self._standing.memory.rigs, rig: sequence},
        )
        kept = {**reading, "rig": rig, "sequence": sequence}
        self._standing.save(event, memory, picture=picture, reading=kept)

    def _place_of(self, reading: Json) -> Place:
        """Return where the head stood: where the card was said to hang, else where the step wants it."""
        place, step, station = self._standing.memory.place, self._standing.journal.step, reading["station"]
        if place is not None and place.station == station:
            return place
        if step["do"] == "mark" and step["station"] == station:
            return Place.from_json(step)
        raise Refused(
            f"A mark at {name_of(station)}, but the card is not said to hang there: say so on the page.",
            path="station",
            status=409,
        )

    def _nothing(self, result: NoReading, shot: Shot) -> None:
        if result.card is not None and result.station is not None:
            self._card.note(result.station, result.card, shot.after.shape[:2])
        self._standing.keep(asks=True, missed=result.kind == "no-mark")
        raise Refused(result.reason, path="picture")

    def _hesitate(
        self, reading: Reading, marks: list[Mark], place: Place, picture: bytes, shot: Shot
    ) -> None:
        self._standing.candidates = Candidates(reading, picture, place, shot, marks) if marks else None
        self._standing.keep(asks=True, missed=not marks, used=bool(marks))
        if not marks:
            raise Refused("No new mark in the picture since the one before.", path="picture")
        raise Refused(f"{len(marks)} marks in the picture: choose the newest one.", path="choose", status=409)

    def _save(self, reading: Reading, mark: Mark, place: Place, picture: bytes, shot: Shot) -> None:
        offset_mm = [float(value) for value in mark.offset_mm]
        sigma_mm = [float(value) for value in mark.sigma_mm]
        seen = {
            **place.as_json(),
            "offset_mm": offset_mm,
            "sigma_mm": sigma_mm,
            "width_mm": [float(value) for value in mark.width_mm],
            "shape": mark.shape,
            "warnings": list(reading.warnings),
        }
        said, before = saved_words(offset_mm), self._standing.memory
        memory = replace(before, place=place, seen=seen, missed=False, used=True, said=said)
        event = mark_event(place, offset_mm, sigma_mm)
        lid = {} if self._rig.lid_closed is None else {"lid_closed": self._rig.lid_closed}
        self._standing.save(event, memory, shot=shot, picture=picture, reading=reading.as_json() | lid)


def _fresh(reading: Reading) -> list[Mark]:
    """Return the marks that may be the newest pulse's."""
    return [mark for mark in reading.marks if mark.new is not False]
