"""One alignment in the log, and the next step."""

from __future__ import annotations

from typing import Any

from server.log import Damaged, Json, Log
from server.session.check import Check, check_step
from server.session.events import Entry, Event, NoMark, Undo, event_json, event_of, without_undo
from server.session.services import Refused, Services, refusing
from server.solver import DocumentError, Profile, Step, parse_profile
from server.solver.steps import Parts
from server.sources.base import Place

__all__ = ["Journal"]


class Journal:
    """The alignment of one kind of source. Nothing is written before the solver has accepted it.

    machine : profile as JSON for the next alignment. ``alignment`` is the number of this one, None before its
    first entry; ``step`` is the solver's last answer.
    """

    def __init__(self, log: Log, kind: str, services: Services, *, machine: Json) -> None:
        self._log, self._kind, self._services = log, kind, services
        self.next_machine = machine
        self.alignment: int | None = log.newest(kind)
        self.step = Step("stop", parts=Parts("nothing was asked yet"))

    def machine_json(self) -> Json:
        """Return the profile of the alignment under way, as JSON."""
        return self.next_machine if self.alignment is None else self._log.machine(self.alignment)

    def document(self) -> Json:
        """Return the alignment document that the solver gets."""
        if self.alignment is None:
            return {"machine": self.next_machine, "events": []}
        return without_undo(self._log.document(self.alignment))

    def machine(self) -> Profile:
        """Return the alignment's profile; if it is no longer readable, that of the next alignment."""
        try:
            return parse_profile(self.machine_json())
        except (Damaged, DocumentError):
            return parse_profile(self.next_machine)

    def entries(self) -> tuple[Entry, ...]:
        """Return all entries, withdrawn ones too, oldest first."""
        rows = self._log.events(self.alignment) if self.alignment is not None else []
        return tuple(Entry.of(row) for row in rows)

    def state(self) -> Json:
        """Return the state that was saved with the entries."""
        return (self._log.state(self.alignment) if self.alignment is not None else None) or {}

    def refresh_step(self) -> None:
        """Ask the solver for the step again."""
        try:
            document = self.document()
            self.step = self._checked(document, self.ask(document))
        except (ArithmeticError, LookupError, ValueError) as error:
            # an old log must never keep the program from starting
            said = Parts(f"stop: this alignment cannot be read ({error})", then="begin a new one")
            self.step = Step("stop", reason=str(error), parts=said)

    def ask(self, document: Json) -> Step:
        """Return the solver's step for any document; raises Refused."""
        with refusing():
            return self._services.next_step(document)

    def after(self, event: Event) -> Step:
        """Return the step that would follow this event; raises Refused if the solver refuses the event."""
        document = self.document()
        document = {**document, "events": [*document["events"], event_json(event)]}
        return self._checked(document, self.ask(document))

    def _checked(self, document: Json, step: Step) -> Step:
        """Return the mark that a check asks for, else ``step``."""
        check = self.state().get("check")
        if not check:
            return step
        events = [event_of(event) for event in document["events"]]
        return check_step(Check.from_json(check), events, self.machine(), step)

    def check_place(self, place: Place) -> None:
        """Raise Refused if no card can hang there or the head cannot go there."""
        event = event_json(NoMark(place.station, place.head_mm))
        with refusing():
            self._services.check({"machine": self.machine_json(), "events": [event]})

    def add(self, event: Event, state: Json, *, step: Step, **more: Any) -> None:
        """Write an event together with the state; ``step`` is what ``after`` returned for it."""
        alignment = self.begin()
        self._log.add_event(alignment, event_json(event), state=state, **more)
        self.step = step
        if step.verdict is not None:
            self._log.set_verdict(alignment, step.verdict.as_json(), done=step.do == "done")

    def keep(self, state: Json) -> None:
        """Write only the state."""
        self._log.set_state(self.begin(), state)

    def begin(self, *, always: bool = False, note: str = "") -> int:
        """Return the alignment's number; begins one if there is none, or ``always``."""
        if always or self.alignment is None:
            machine, kind = self.next_machine, self._kind
            self.alignment = self._log.start_alignment(machine=machine, source=kind, note=note)
        return self.alignment

    def entry(self, event_id: int) -> Entry:
        """Return an entry that counts; raises Refused (404)."""
        for entry in self.entries():
            if entry.id == event_id and not entry.withdrawn:
                return entry
        raise Refused("There is no such reading in this alignment.", path="event", status=404)

    def take_back(self) -> Event:
        """Withdraw the newest entry that still counts, note that in the log, and return its event."""
        counting = [entry for entry in self.entries() if not entry.withdrawn]
        if self.alignment is None or not counting:
            raise Refused("There is nothing to take back.", path="undo", status=409)
        newest = counting[-1]
        self._log.withdraw_event(newest.id)
        said = self._log.add_event(self.alignment, event_json(Undo(newest.uuid)))
        self._log.withdraw_event(said)  # the note is not part of the document
        self.refresh_step()
        return newest.event

    def withdraw(self, event_id: int) -> None:
        """Withdraw an entry, so that it no longer counts, and ask for the step again."""
        self._log.withdraw_event(event_id)
        self.refresh_step()
