"""The one place where frames become marks become steps.

A :class:`Session` holds one alignment: where its pictures come from, the log that keeps it, the step that
is due. Every action either is refused in one line with nothing written, or is on disk when it returns.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

from server.brain import Brain, Refused, load_shot, read_photo, refusing
from server.card_sight import CardSight
from server.journal import Journal
from server.log import Log
from server.memory import Candidates, Memory, mark_event, name_of, saved_words
from server.rig_view import RigView
from server.sources import Feed, NoPicture, Place, Shot, Source, as_jpeg
from server.turning import Turning
from vision import CardView, NoReading, Reading

__all__ = ["Brain", "Refused", "Session", "read_photo"]

Json = dict[str, Any]
T = TypeVar("T")
STILL_TOLD_S = 4.0
TYPED_SIGMA_MM = 0.5  # a steel rule read by eye, common practice, no source


class Session:
    """One alignment under way: source of pictures, log, step.

    log : where events go. source : camera, practice machine or offline. machine : profile as JSON for the
    next alignment (the source's own where it has one). All methods may be called from any thread; those
    that change something raise :class:`Refused`.
    """

    def __init__(
        self,
        log: Log,
        source: Source,
        *,
        machine: Json,
        brain: Brain | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.source, self._brain = source, brain or Brain()
        self._journal = Journal(log, source.kind, self._brain, machine=source.machine() or machine)
        self._lock = threading.RLock()
        self.changed = threading.Condition()
        self.version, self.run = 0, secrets.token_hex(4)
        self.feed = Feed(source)
        self._candidates: Candidates | None = None
        self.rig = RigView(self.changed, self.announce)
        self.turning = Turning(source, self._brain, self.rig, clock=clock)
        self.hung = 0  # rises with every fresh tape
        self._clock = clock
        self._hung_s: float | None = None
        self.shot: Shot | None = None  # of the newest pulse that a person told of
        self.listeners: list[Callable[[Json], None]] = []  # told of every deed, for a recording
        self._card = CardSight()
        self._settled_s: float | None = None
        self._resume()

    # what it knows

    def snapshot(self) -> Json:
        """Return all that a page shows, as plain JSON values."""
        with self._lock:
            memory, step = self._memory, self._journal.step
            return {
                "version": self.version,
                "run": self.run,
                "source": self.source.kind,
                "alignment": self.alignment,
                "machine": self.machine(),
                "cautions_acknowledged": memory.cautions,
                "place": memory.place.as_json() if memory.place else None,
                "step": step,
                "expect": step.get("expect") or memory.expect,
                "aimed": memory.expect,
                "seen": memory.seen,
                "missed": memory.missed,
                "used": memory.used,
                "watch": memory.watch,
                "turned": memory.turned,
                "said": memory.said,
                "card": self._card.as_json(),
                "candidates": self._candidates_json(),
                "rig": self.rig.as_json(),
                "events": self._journal.events(),
            }

    def machine(self) -> Json:
        """Return the profile of the alignment under way, as JSON."""
        return dict(self.document()["machine"])

    def document(self) -> Json:
        """Return the alignment document that the solver gets."""
        return self._journal.document()

    def why(self) -> str:
        """Return the numbers that the step was weighed by, in words; raises Refused."""
        document = self.document()
        with refusing():
            return self._brain.explain(document)

    @property
    def alignment(self) -> int | None:
        """The alignment's number in the log, None before its first entry."""
        return self._journal.alignment

    def wait(self, version: int, *, timeout_s: float) -> int:
        """Return the version as soon as it differs from ``version``, or after ``timeout_s``."""
        with self.changed:
            self.changed.wait_for(lambda: self.version != version, timeout_s)
            return self.version

    def wait_live(self, version: int, live_version: int, *, timeout_s: float) -> tuple[int, int]:
        """Return both versions as soon as one differs, or after ``timeout_s``; the live mark's is second."""
        with self.changed:
            known = (version, live_version)
            self.changed.wait_for(lambda: (self.version, self.rig.live_version) != known, timeout_s)
            return self.version, self.rig.live_version

    def announce(self) -> None:
        """Wake all who wait although nothing of the alignment has changed."""
        with self.changed:
            self.version += 1
            self.changed.notify_all()

    # what the person does

    def acknowledge(self) -> None:
        """The cautions have been read."""
        with self._lock:
            self._keep(replace(self._memory, cautions=True))

    def hang(self, place: Place) -> None:
        """The card hangs with fresh tape, and the head stands, at ``place``."""
        with self._lock:
            self._journal.check_place(place)
            self._picture_or_refuse(lambda: self.source.hang(place))
            self._candidates = None
            self.hung, self._hung_s = self.hung + 1, self._clock()
            self.rig.set_live(None)
            self._card.look(self.source, self._brain, timeout_s=2.0)
            self._keep(replace(self._memory, place=place, missed=False, used=False, said=""))
            self._note({"kind": "hang", "place": place.as_json()})

    def pulse(self) -> None:
        """A pulse was fired (practice: fires it); read its mark and save it."""
        with self._lock:
            place = self._firing_place()
            shot = self._picture_or_refuse(self.source.shot)
            self._read(shot, place, as_jpeg(shot.after))
            self.shot = shot

    def watch(self, on: bool) -> None:
        """Look for the mark without being told (a camera only), so that nobody has to touch the page."""
        with self._lock:
            if on and self.source.kind != "camera":
                raise Refused("Only a camera can watch.", path="watch", status=409)
            self._keep(replace(self._memory, watch=on))

    def settled(self) -> bool:
        """The eye saw a pulse leave its mark: save it if one is awaited; returns whether it was saved."""
        with self._lock:
            memory = self._memory
            if not (memory.watch and memory.cautions and memory.place and not memory.used):
                return False
            try:
                shot = self.source.shot()
            except NoPicture:
                return False
            saved = self._read_settled(shot, memory.place)
            self._settled_s = self._clock() if saved else self._settled_s
            return saved

    def just_settled(self) -> bool:
        """Whether a mark was saved without a word so shortly ago that somebody may still tell of it."""
        return self._settled_s is not None and self._clock() - self._settled_s < STILL_TOLD_S

    def card_in_view(self, station: str | None, view: CardView | None, size: tuple[int, int]) -> None:
        """The eye has found the card in pictures of ``size`` (rows, cols), or lost it (None)."""
        with self._lock:
            self._card.note(station, view, size)
            self.announce()

    def say(self, words: str) -> None:
        """Show one line; nothing else changes."""
        with self._lock:
            self._keep(replace(self._memory, said=words))

    def delivered(
        self, rig: str, sequence: int, reading: Json, picture: bytes | None, *, age_s: float | None = None
    ) -> bool:
        """A rig elsewhere read a mark; save it unless it is here already, and return whether it is new.

        sequence : 1, 2, 3 … for each rig; one that leaves a gap is refused (409), so that order is kept.
        age_s : how long ago it was read, where the rig knows; a mark from before the card was hung is kept
        in the log and does not count.
        """
        with self._lock:
            last = self._memory.rigs.get(rig, 0)
            if sequence <= last:
                return False
            if last and sequence > last + 1:
                raise Refused(f"Number {last + 1} of {rig} comes first.", path="sequence", status=409)
            self._save_delivered(rig, sequence, reading, picture)
            if age_s is not None and self._hung_s is not None and self._clock() - age_s < self._hung_s:
                self._journal.withdraw(self._journal.events()[-1]["id"])
                late = "A mark from before the card was hung came late: kept, but it does not count"
                self._keep(replace(self._memory, seen=None, used=False, said=late))
            return True

    def photo(self, after: bytes, before: bytes | None, place: Place) -> None:
        """Read an uploaded photo (and the one from before the pulse) and save its mark."""
        with self._lock:
            self._need_cautions()
            shot = load_shot(self._brain, after, before)
            self._journal.check_place(place)
            self._read(shot, place, after)

    def choose(self, index: int) -> None:
        """Of several marks in the last picture, this one is the newest."""
        with self._lock:
            waiting = self._candidates
            if waiting is None or not 0 <= index < len(waiting.marks):
                raise Refused("There is no such mark to choose.", path="index", status=409)
            self._save_mark(waiting.reading, waiting.marks[index], waiting.place, waiting.picture)

    def typed(self, place: Place, offset_mm: list[float], sigma_mm: float = TYPED_SIGMA_MM) -> None:
        """A person measured the mark: offset (u, v) from the card's centre, mm."""
        with self._lock:
            self._need_cautions()
            memory = replace(self._memory, place=place, seen=None, missed=False, said=saved_words(offset_mm))
            self._save(mark_event(place, offset_mm, sigma_mm), memory)

    def no_mark(self, place: Place | None = None) -> None:
        """The pulse left nothing on the card."""
        with self._lock:
            self._need_cautions()
            at = place or self._memory.place
            if at is None:
                raise Refused("Say first where the card hangs.", path="station", status=409)
            memory = replace(self._memory, place=at, missed=False, said="Saved: no mark on the card")
            self._save({"kind": "no-mark", **at.as_json()}, memory)

    def turn(self, mount: int, screw: str, turns: float) -> None:
        """A screw was turned (practice: turns it)."""
        event = {"kind": "turn", "mount": mount, "screw": screw, "turns": turns}
        self._adjust(event, lambda: self.source.turn(mount, screw, turns))

    def ease(self, mount: int, screw: str, way: int) -> None:
        """Practice: the screw is held and turns on that way (0: it is let go); nothing is saved as a turn."""
        with self._lock:
            self._need_cautions()
            if self.source.kind != "practice":
                raise Refused("Only the practice screws turn from here.", path="screw", status=409)
            self.turning.ease(self._journal.step, mount, screw, way)
            memory = replace(self._memory, turned=True, used=True)
            if not way or memory != self._memory:
                self._keep(memory)

    def shift(self, part: str, move_mm: list[float]) -> None:
        """A mount or the tube was moved (practice: moves it)."""
        event = {"kind": "shift", "part": part, "move_mm": move_mm}
        self._adjust(event, lambda: self.source.shift(part, move_mm))

    def inspected(self, cause: str, outcome: str) -> None:
        """A cause was looked at: fixed, nothing-found, not-fixed."""
        event = {"kind": "inspected", "cause": cause, "outcome": outcome}
        self._adjust(event, lambda: self.source.inspected(cause, outcome))

    def withdraw(self, event_id: int) -> None:
        """An event was a mistake: kept in the log, no longer counted."""
        with self._lock:
            entry = self._journal.entry(event_id)
            if self.source.kind == "practice" and entry["event"]["kind"] in ("turn", "shift"):
                raise Refused("The practice screw did turn: turn it back instead.", path="event", status=409)
            self._journal.withdraw(event_id)
            self._keep(replace(self._memory, seen=None, expect=None, said="Withdrawn: it no longer counts"))

    def restart(self, *, machine: Json | None = None, options: Json | None = None) -> None:
        """Leave this alignment in the log as it is and begin a new one."""
        with self._lock:
            if machine is not None:
                self._journal.ask({"machine": machine, "events": []})
            self.source.renew(options or {})
            self._journal.next_machine = self.source.machine() or machine or self.machine()
            rigs = self._memory.rigs
            self._journal.begin(anew=True)
            self._resume()
            self._keep(replace(self._memory, rigs=rigs))
            self.hung += 1
            self._note({"kind": "begin", "machine": self.machine()})

    def offer(self, machine: Json) -> None:
        """Use this profile from now on where nothing has been read yet, else from the next alignment on."""
        with self._lock:
            if self.source.machine() is not None:
                return
            self._journal.ask({"machine": machine, "events": []})
            self._journal.next_machine = machine
            if self.alignment is not None and not self._journal.events():
                self.restart(machine=machine)
            else:
                self._journal.think()
                self._tell()

    # inside

    def _resume(self) -> None:
        state = self._journal.state()
        self._memory = Memory.from_json(state)
        self._candidates = None
        if state.get("source"):
            self.source.restore(state["source"])
        self._journal.think()
        self._card.forget()
        if self._memory.place is not None:
            self._card.look(self.source, self._brain, timeout_s=0.0)
        self._tell()

    def _save(self, event: Json, memory: Memory, *, step: Json | None = None, **more: Any) -> None:
        step = step or self._journal.after(event)
        self._journal.add(event, self._state(memory), step=step, **more)
        self._memory, self._candidates = memory, None
        self.rig.set_live(None)  # what was seen belongs to the step before
        self._tell()
        self._note({"kind": "event", "event": event})

    def _note(self, deed: Json) -> None:
        for listener in self.listeners:
            listener(deed)

    def _adjust(self, event: Json, by_hand: Callable[[], None]) -> None:
        with self._lock:
            due = self._journal.step
            asked = _as_asked(due, event)
            said = "Done, and saved" if asked else "Saved, though it was not the step"
            expect = due.get("expect") if asked else None
            step = self._journal.after(event)
            try:
                if not (asked and self._memory.turned):
                    by_hand()
            except (KeyError, ValueError) as error:
                raise Refused(str(error).strip("'\""), path=str(event["kind"])) from error
            self._save(event, replace(self._memory, expect=expect, said=said, turned=False), step=step)

    def _read(self, shot: Shot, place: Place, picture: bytes) -> None:
        result = self._brain.read(shot.after, shot.before)
        if isinstance(result, NoReading):
            self._nothing(result, shot)
            return
        self._card.note(result.station, result.card, shot.after.shape[:2])
        if result.station != place.station:
            self._keep(self._memory)
            raise Refused(
                f"That is the card of {name_of(result.station)}, but it should hang at "
                f"{name_of(place.station)}: change the card, or choose the place where it hangs.",
                path="station",
            )
        marks = [mark for mark in result.marks if mark.new is not False]
        if len(marks) == 1:
            self._save_mark(result, marks[0], place, picture)
            self.source.taken(shot.after)
            return
        self._hesitate(result, marks, place, picture)

    def _read_settled(self, shot: Shot, place: Place) -> bool:
        result = self._brain.read(shot.after, shot.before)
        if not isinstance(result, Reading) or result.station != place.station:
            return False
        marks = [mark for mark in result.marks if mark.new is not False]
        if len(marks) != 1:
            return False  # the person looks and chooses
        self._card.note(result.station, result.card, shot.after.shape[:2])
        self._save_mark(result, marks[0], place, as_jpeg(shot.after))
        self.source.taken(shot.after)
        return True

    def _save_delivered(self, rig: str, sequence: int, reading: Json, picture: bytes | None) -> None:
        self._need_cautions()
        event = mark_event(self._place_of(reading), reading["offset_mm"], reading["sigma_mm"])
        place = Place.from_json(event)
        memory = replace(
            self._memory,
            place=place,
            seen={**event, "width_mm": reading["width_mm"], "shape": reading["shape"], "warnings": []},
            missed=False,
            used=True,
            said=saved_words(event["offset_mm"]),
            rigs={**self._memory.rigs, rig: sequence},
        )
        self._save(event, memory, picture=picture, reading={**reading, "rig": rig, "sequence": sequence})

    def _place_of(self, reading: Json) -> Place:
        """Return where the head stood: where the card was said to hang, else where the step wants it."""
        place, step, station = self._memory.place, self._journal.step, reading["station"]
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
        self._keep(replace(self._memory, missed=result.kind == "no-mark"))
        raise Refused(result.reason, path="picture")

    def _hesitate(self, reading: Reading, marks: list[Any], place: Place, picture: bytes) -> None:
        self._candidates = Candidates(reading, picture, place, marks) if marks else None
        self._keep(replace(self._memory, missed=not marks, used=bool(marks)))
        if not marks:
            raise Refused("No new mark in the picture since the one before.", path="picture")
        raise Refused(f"{len(marks)} marks in the picture: choose the newest one.", path="choose", status=409)

    def _save_mark(self, reading: Reading, mark: Any, place: Place, picture: bytes) -> None:
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
        memory = replace(
            self._memory, place=place, seen=seen, missed=False, used=True, said=saved_words(offset_mm)
        )
        event = mark_event(place, offset_mm, sigma_mm)
        lid = {} if self.rig.lid_closed is None else {"lid_closed": self.rig.lid_closed}
        self._save(event, memory, picture=picture, reading=reading.as_json() | lid)

    def _need_cautions(self) -> None:
        if not self._memory.cautions:
            raise Refused("Read and acknowledge the cautions first.", path="cautions", status=409)

    def _firing_place(self) -> Place:
        self._need_cautions()
        if self._memory.place is None:
            raise Refused("Hang the card and say where it hangs first.", path="station", status=409)
        return self._memory.place

    def _picture_or_refuse(self, call: Callable[[], T]) -> T:
        try:
            return call()
        except NoPicture as error:
            raise Refused(str(error), path="camera", status=409) from error

    def _state(self, memory: Memory) -> Json:
        return memory.as_json(self.source.to_json())

    def _keep(self, memory: Memory) -> None:
        self._journal.keep(self._state(memory))
        self._memory = memory
        self._tell()

    def _tell(self) -> None:
        self.feed.forget()
        self.announce()

    def _candidates_json(self) -> list[list[float]]:
        waiting = self._candidates
        return [[float(v) for v in mark.offset_mm] for mark in waiting.marks] if waiting else []


def _as_asked(step: Json, event: Json) -> bool:
    keys = [key for key in event if key not in ("kind", "outcome")]
    kinds = {"turn": "turn", "shift": "shift", "inspect": "inspected"}
    return kinds.get(step["do"]) == event["kind"] and all(step.get(key) == event[key] for key in keys)
