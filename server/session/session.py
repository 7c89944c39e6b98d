"""One alignment under way: frames become marks here, and marks become steps.

A :class:`Session` holds the source of the pictures, the log, and the step that is due. An action either
raises Refused with nothing written, or is on disk when it returns.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from server.log import Json, Log
from server.session.adjustments import Adjusting
from server.session.card_check import CardCheck
from server.session.card_view import CardSight
from server.session.check import Check
from server.session.events import Shift, Turn, event_json
from server.session.held_screw import HeldScrew
from server.session.mark_taking import MarkTaking, SentMark
from server.session.rig_state import RigView
from server.session.services import Overtaken, Refused, Services, load_shot, read_photo, refusing
from server.session.snapshot import Snapshot
from server.session.state import SessionState
from server.session.versions import Versioned
from server.solver.machine.profile import Point
from server.sources.base import Feed, NoPicture, Pixels, Place, Shot, Source, as_jpeg
from vision import CardView, Mark, Reading

__all__ = ["Overtaken", "Refused", "Services", "Session", "read_photo"]

STILL_TOLD_S = 4.0
TYPED_SIGMA_MM = 0.5  # a steel rule read by eye, common practice, no source


class Session(Versioned):
    """One alignment under way: source of pictures, log, step.

    log : where events go. source : camera, practice laser or offline. machine : profile as JSON for the
    next alignment (the source's own where it has one). All methods may be called from any thread; those
    that change something raise :class:`Refused`.
    """

    def __init__(
        self,
        log: Log,
        source: Source,
        *,
        machine: Json,
        services: Services | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self.source, self._services, self._clock = source, services or Services(), clock
        self._lock = threading.RLock()
        self.feed, self._card = Feed(source), CardSight()
        self.rig = RigView(self.changed, self.announce)
        self._state = SessionState(log, source, self._services, self.rig, machine=machine, tell=self._tell)
        self._journal, self.listeners = self._state.journal, self._state.listeners
        self._taking = MarkTaking(self._state, source, self._services, card=self._card, rig=self.rig)
        self._card_check = CardCheck(self._state, source, self._services, card=self._card)
        self._adjusting = Adjusting(self._state, source)
        self.held_screw = HeldScrew(source, self._services, self.rig, clock=clock)
        self.hung = 0  # rises with every fresh tape, and when a held screw has moved the mark on the tape
        self.shot: Shot | None = None  # the pictures of the newest pulse that a person reported
        self.unseen_pulse = False  # a reported pulse, in no pair of pictures: the frame loop looks closer
        self._hung_s: float | None = None
        self._settled_s: float | None = None
        self._resume()

    # what is known

    def snapshot(self) -> Snapshot:
        """Return all that a page shows."""
        with self._lock:
            return self._state.snapshot(version=self.version, run=self.run, card=self._card.seen)

    def machine(self) -> Json:
        """Return the profile of the alignment under way, as JSON."""
        return dict(self._journal.document()["machine"])

    def beginning(self) -> Json:
        """Return what a recording begins with: the profile, and whether marks are saved by themselves."""
        return {"kind": "begin", "machine": self.machine(), "watch": self._state.memory.watch}

    def document(self) -> Json:
        """Return the alignment document that the solver gets."""
        return self._journal.document()

    def why(self) -> str:
        """Return, in words, the numbers that decided the step; raises Refused."""
        document = self.document()
        with refusing():
            return self._services.explain(document)

    @property
    def alignment(self) -> int | None:
        """The alignment's number in the log, None before its first entry."""
        return self._journal.alignment

    def wait_live(self, version: int, live_version: int, *, timeout_s: float) -> tuple[int, int]:
        """Return both versions (page, live mark) as soon as one differs, or after ``timeout_s``."""
        with self.changed:
            known = (version, live_version)
            self.changed.wait_for(lambda: (self.version, self.rig.live_version) != known, timeout_s)
            return self.version, self.rig.live_version

    @contextmanager
    def answering(self, step: str) -> Iterator[None]:
        """Hold the lock while that step is answered; raises Overtaken if another step is due."""
        with self._lock:
            if step != self._state.step_name:
                raise Overtaken
            yield

    # what the person does

    def acknowledge(self) -> None:
        """The cautions have been read."""
        with self._lock:
            self._state.keep(asks=True, cautions=True)

    def hang(self, place: Place) -> None:
        """The card hangs and the head stands at ``place``, with fresh tape."""
        with self._lock:
            self._journal.check_place(place)
            with _picture_or_refused():
                self.source.hang(place)
            self._card.look(self.source, self._services, timeout_s=2.0)
            if self.source.kind == "camera" and self.source.reads:
                self._card_check.hung(place)
            self._leave_the_tape()
            self._hung_s = self._clock()
            hanging = self._hanging(place)
            self._state.keep(asks=True, place=place, hanging=hanging, misses=0, used=False, said="", doubt="")
            self._state.note({"kind": "hang", "place": place.as_json()})

    def pulse(self) -> None:
        """A pulse was fired (practice: fires it); read its mark and save it."""
        with self._lock:
            place = self._state.firing_place()
            with _picture_or_refused():
                shot = self.source.shot()
            try:
                self._taking.read(shot, place, as_jpeg(shot.after))
            except Refused:
                self.unseen_pulse = self._state.unread
                raise
            self.shot = shot

    def on_top(self, station: str, view: CardView, mark: Mark, picture: Pixels) -> None:
        """A pulse was seen or reported, but the picture shows only ``mark``, an old one."""
        with self._lock:
            self._taking.on_top(Reading(station, (mark,), view), picture)

    def watch(self, on: bool) -> None:
        """Save marks as the camera sees them (a camera only), so that nobody has to touch the page."""
        with self._lock:
            if on and self.source.kind != "camera":
                raise Refused("Only a camera can watch.", path="watch", status=409)
            self._state.keep(watch=on)
            self._state.note({"kind": "watch", "on": on})

    @property
    def film_hangs(self) -> bool:
        """Whether what the camera sees is film, which shows where the beam is now."""
        return self._state.memory.film

    def film(self, on: bool) -> None:
        """The card holds film that shows the beam at once and fades (a camera only), or tape again."""
        with self._lock:
            if on and self.source.kind != "camera":
                raise Refused("Film is of use only with a camera.", path="film", status=409)
            self._state.keep(film=on)

    def settled(self) -> bool:
        """The frame loop saw a new mark: save it if one is awaited; returns whether it was saved."""
        with self._lock:
            memory = self._state.memory
            if not (memory.watch and memory.cautions and memory.place and not memory.used):
                return False
            try:
                shot = self.source.shot()
            except NoPicture:
                return False
            saved = self._taking.read_settled(shot, memory.place)
            self._settled_s = self._clock() if saved else self._settled_s
            return saved

    def just_settled(self) -> bool:
        """Whether a mark was saved by itself so recently that a person may still report the same pulse."""
        return self._settled_s is not None and self._clock() - self._settled_s < STILL_TOLD_S

    def card_in_view(self, station: str | None, view: CardView | None, size: tuple[int, int]) -> None:
        """The frame loop found the card in pictures of ``size`` (rows, cols), or lost it (None)."""
        with self._lock:
            self._card.note(station, view, size)
            self.announce()

    def say(self, words: str) -> None:
        """Show one line; nothing else changes."""
        with self._lock:
            self._state.keep(said=words)

    def delivered(
        self,
        rig: str,
        sequence: int,
        mark: SentMark,
        picture: bytes | None,
        *,
        age_s: float | None = None,
        after: int | None = None,
        again: bool = False,
    ) -> bool:
        """A remote rig read a mark; save it unless it is here already, and return whether it is new.

        sequence : 1, 2, 3 … for each rig. A gap is refused (409), so that order is kept. after : the rig's
        reading before this one, where those between are lost. age_s : how long ago it was read, if the rig
        knows; a mark from before the card was hung is logged but does not count. again : it was here before
        an older log was restored; it does not count either.
        """
        with self._lock:
            hung_s, now_s = self._hung_s, self._clock()
            late = again or (age_s is not None and hung_s is not None and now_s - age_s < hung_s)
            return self._taking.delivered(rig, sequence, mark, picture, late=late, after=after)

    def delivers(self, name: str) -> bool:
        """Whether the log has readings from a rig of that name."""
        return any(rig.partition(" ")[0] == name for rig in self._state.memory.rigs)

    def last_from(self, rig: str) -> int:
        """Return the number of the newest reading from that rig, 0 for none."""
        return self._state.memory.rigs.get(rig, 0)

    def photo(self, after: bytes, before: bytes | None, place: Place) -> None:
        """Read an uploaded photo (and the one from before the pulse) and save its mark."""
        with self._lock:
            self._state.need_cautions()
            shot = load_shot(self._services, after, before)
            self._journal.check_place(place)
            self._taking.read(shot, place, after)

    def choose(self, index: int) -> None:
        """Of several marks in the last picture, this one is the newest."""
        with self._lock:
            self._taking.choose(index)

    def typed(self, place: Place, offset_mm: Point, sigma_mm: Point | float = TYPED_SIGMA_MM) -> None:
        """A person measured the mark: offset (u, v) from the card's centre, mm."""
        with self._lock:
            sigma = sigma_mm if isinstance(sigma_mm, tuple) else (sigma_mm, sigma_mm)
            self._taking.typed(place, offset_mm, sigma)

    def no_mark(self, place: Place | None = None) -> None:
        """The pulse left no mark on the card."""
        with self._lock:
            self._taking.no_mark(place)

    def turn(self, mount: int, screw: str, turns: float, *, went: float | None = None) -> None:
        """A screw was turned (practice: turns it); ``went`` is how far it went, if seen to differ."""
        with self._lock:
            self._adjusting.turn(mount, screw, turns, went=went)

    def ease(self, mount: int, screw: str, way: int) -> None:
        """Practice: hold the screw, so that it turns that way (0: let go); the turn is not saved yet."""
        with self._lock:
            self._state.need_cautions()
            if self.source.kind != "practice":
                raise Refused("The page can turn only the practice screws.", path="screw", status=409)
            self.held_screw.ease(self._journal.step, mount, screw, way)
            if not way:
                self.hung += 1
            memory = self._state.memory
            if not (way and memory.turned and memory.used):
                self._state.keep(turned=True, used=True)

    def shift(self, part: str, move_mm: list[float]) -> None:
        """A mount or the tube was moved (practice: moves it)."""
        with self._lock:
            self._adjusting.shift(part, move_mm)

    def inspected(self, cause: str, outcome: str) -> None:
        """A cause was looked at: fixed, nothing-found, not-fixed."""
        with self._lock:
            self._adjusting.inspected(cause, outcome)

    def withdraw(self, event_id: int) -> None:
        """An event was a mistake: kept in the log, no longer counted."""
        with self._lock:
            entry = self._journal.entry(event_id)
            if self.source.kind == "practice" and isinstance(entry.event, Turn | Shift):
                raise Refused("The practice screw has moved: turn it back instead.", path="event", status=409)
            self._journal.withdraw(event_id)
            self._state.keep(asks=True, seen=None, expect=None, said="Withdrawn: it no longer counts")
            self._state.note({"kind": "withdraw", "event": event_json(entry.event)})

    def undo(self) -> None:
        """Take the newest event back; the log keeps it, and this action too."""
        with self._lock:
            event = self._state.undo()
            self._state.note({"kind": "withdraw", "event": event_json(event)})

    def restart(self, *, machine: Json | None = None, options: Json | None = None) -> None:
        """Begin a new alignment; this one stays in the log."""
        with self._lock:
            if machine is not None:
                self._journal.ask({"machine": machine, "events": []})
            self.source.renew(options or {})
            self._journal.next_machine = self.source.machine() or machine or self.machine()
            rigs = self._state.memory.rigs
            self._journal.begin(always=True)
            self._resume()
            self._state.keep(rigs=rigs)
            self._leave_the_tape()
            self._state.note(self.beginning())

    def check(self, check: Check, note: str, *, machine: Json | None = None) -> None:
        """Leave this alignment in the log as it is and begin a new one with the pulses of a check."""
        with self._lock:
            self._journal.next_machine = self.source.machine() or machine or self.machine()
            rigs = self._state.memory.rigs
            self._journal.begin(always=True, note=note)
            self._resume()
            self._state.keep(rigs=rigs)
            self._state.ask_first(check)
            self._leave_the_tape()
            self._state.note(self.beginning())

    def go_on(self) -> None:
        """A check is finished or abandoned: from here on the solver says what comes next."""
        with self._lock:
            if self._state.memory.check is None:
                raise Refused("There is no check under way.", path="check", status=409)
            self._state.ask_first(None)

    def offer(self, machine: Json) -> None:
        """Use this profile now if nothing has been read yet, otherwise from the next alignment on."""
        with self._lock:
            if self.source.machine() is not None:
                return
            self._journal.ask({"machine": machine, "events": []})
            self._journal.next_machine = machine
            if self.alignment is not None and not self._journal.entries():
                self.restart(machine=machine)
            else:
                self._state.refresh_step()

    # inside

    def _hanging(self, place: Place) -> int:
        """Return the number of the hanging: it stays the same while only the tape is renewed."""
        before = self._state.memory
        stays = before.place is not None and before.place.station == place.station
        return before.hanging + (not stays or self._journal.step.hang == "anew")

    def _leave_the_tape(self) -> None:
        """Discard what was seen on the old tape."""
        self.hung += 1
        self.shot, self.unseen_pulse = None, False
        self._state.forget_pulse()
        self.rig.forget_live()

    def _resume(self) -> None:
        self._state.resume()
        self._card.clear()
        if self._state.memory.place is not None:
            self._card.look(self.source, self._services, timeout_s=0.0)
        self._tell()

    def _tell(self) -> None:
        self.feed.clear()
        self.announce()


@contextmanager
def _picture_or_refused() -> Iterator[None]:
    try:
        yield
    except NoPicture as error:
        raise Refused(str(error), path="camera", status=409) from error
