"""The state of an alignment: its events and what is remembered besides them, written to the log together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from server.log import Json, Log
from server.session.check import Check
from server.session.events import Event, MarkSeen, NoMark, event_json
from server.session.journal import Journal
from server.session.notes import Candidates, Memory, pair
from server.session.rig_state import RigView
from server.session.services import Refused, Services
from server.session.snapshot import CardInPicture, Snapshot
from server.solver import Step
from server.sources.base import Place, Shot, Source
from vision import Mark

__all__ = ["SessionState"]


class SessionState:
    """One alignment under way. What ``save`` and ``keep`` are given is on disk when they return.

    machine : profile as JSON for the next alignment, if the source has none. rig : its live mark is cleared
    with every event. tell : called after every change. ``candidates`` wait for a person to choose;
    ``unread``: a reported pulse whose mark no picture showed; ``hidden``: the old mark on which the frame
    loop saw a pulse land; ``listeners`` get every action, for a recording. Not thread-safe; the caller holds
    the lock.
    """

    def __init__(
        self,
        log: Log,
        source: Source,
        services: Services,
        rig: RigView,
        *,
        machine: Json,
        tell: Callable[[], None],
    ) -> None:
        self.journal = Journal(log, source.kind, services, machine=source.machine() or machine)
        self._source, self._rig, self._tell = source, rig, tell
        self.memory = Memory()
        self.candidates: Candidates | None = None
        self.unread = False
        self.hidden: Mark | None = None
        self.listeners: list[Callable[[Json], None]] = []

    def snapshot(self, *, version: int, run: str, card: CardInPicture | None) -> Snapshot:
        """Return the state to show."""
        memory, marks = self.memory, self.candidates.marks if self.candidates else []
        return Snapshot(
            version=version,
            run=run,
            source=self._source.kind,
            alignment=self.journal.alignment,
            step_name=self.step_name,
            machine=self.journal.machine(),
            step=self.journal.step,
            cautions=memory.cautions,
            place=memory.place,
            aimed=memory.expect,
            seen=memory.seen,
            misses=memory.misses,
            used=memory.used,
            watch=memory.watch,
            film=memory.film,
            turned=memory.turned,
            said=memory.said,
            candidates=tuple(pair(mark.offset_mm) for mark in marks),
            events=self.journal.entries(),
            card=card,
            rig=self._rig.now(),
            may_undo=memory.before is not None,
            check=memory.check,
        )

    @property
    def step_name(self) -> str:
        """The name of what is asked for now; it changes with every new request."""
        return f"{self.journal.alignment or 0}.{self.memory.answered}"

    def resume(self) -> None:
        """Go on from the state in the log."""
        state = self.journal.state()
        self.memory = Memory.from_json(state)
        self.forget_pulse()
        if state.get("source"):
            self._source.restore(state["source"])
        self.journal.refresh_step()

    def refresh_step(self) -> None:
        """Ask for the step again, after the profile of the next alignment has changed."""
        self.journal.refresh_step()
        self.memory = replace(self.memory, answered=self.memory.answered + 1)
        self._tell()

    def ask_first(self, check: Check | None) -> None:
        """Ask for the marks of that check before anything else (None: end the check), and save that."""
        memory = replace(self.memory, check=check, said="", answered=self.memory.answered + 1)
        self.journal.keep(self._state(memory))
        self.journal.refresh_step()
        self.memory = memory
        self._tell()

    def save(
        self, event: Event, memory: Memory, *, step: Step | None = None, shot: Shot | None = None, **more: Any
    ) -> None:
        """Write an event together with ``memory``.

        step : the one that follows, if known. shot : the pictures that the event was read from.
        """
        step = step or self.journal.after(event)
        before = {key: value for key, value in self.journal.state().items() if key != "before"}
        memory = replace(memory, answered=self.memory.answered + 1, before=before, misses=0, doubt="")
        self.journal.add(event, self._state(memory), step=step, **more)
        self.memory = memory
        self.forget_pulse()
        self._rig.forget_live()  # the live mark belongs to the last step
        self._tell()
        self.note({"kind": "event", "event": event_json(event), "shot": shot})

    def keep(self, *, asks: bool = False, **changes: Any) -> None:
        """Write only the memory, with these changes; ``asks``: the person is asked for something else."""
        memory = replace(self.memory, **changes, answered=self.memory.answered + asks)
        self.journal.keep(self._state(memory))
        self.memory = memory
        self._tell()

    def undo(self) -> Event:
        """Take the newest event back, restore the state before it, and return it. Raises Refused if none."""
        before = self.memory.before
        if before is None:
            raise Refused("There is nothing to take back.", path="undo", status=409)
        event = self.journal.take_back()
        if before.get("source"):
            self._source.restore(before["source"])
        was, now = Memory.from_json(before), self.memory
        fired = isinstance(event, MarkSeen | NoMark)  # what is on the tape stays there
        self.memory = replace(
            now,
            place=was.place,
            expect=was.expect,
            seen=was.seen,
            used=was.used or fired,
            misses=0,
            turned=False,
            doubt="",
            before=None,
        )
        self.forget_pulse()
        self._rig.forget_live()
        self.keep(asks=True, said="Taken back")
        return event

    def forget_pulse(self) -> None:
        """Discard what was seen of the newest pulse and not yet saved."""
        self.candidates, self.unread, self.hidden = None, False, None

    def note(self, action: Json) -> None:
        """Tell the listeners of an action."""
        for listener in self.listeners:
            listener(action)

    def need_cautions(self) -> None:
        """Raise Refused unless the cautions were acknowledged."""
        if not self.memory.cautions:
            raise Refused("Read and acknowledge the cautions first.", path="cautions", status=409)

    def firing_place(self) -> Place:
        """Return where a pulse strikes now; raises Refused if it is not known where the card hangs."""
        self.need_cautions()
        if self.memory.place is None:
            raise Refused("Hang the card and say where it hangs first.", path="station", status=409)
        return self.memory.place

    def _state(self, memory: Memory) -> Json:
        return memory.as_json(self._source.to_json())
