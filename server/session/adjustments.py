"""Adjustments by hand: a screw, a mount, a fault. On the practice laser they are made here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from server.log import Json
from server.session.events import Inspected, Shift, Turn, kind_of
from server.session.services import Refused
from server.session.state import SessionState
from server.solver import Step
from server.solver.words import turns_words
from server.sources.base import Source

__all__ = ["Adjusting"]


class Adjusting:
    """Makes the adjustment at the source and saves it; raises Refused, with nothing done, if not allowed.

    Not thread-safe; the caller holds the lock.
    """

    def __init__(self, state: SessionState, source: Source) -> None:
        self._state, self._source = state, source

    def turn(self, mount: int, screw: str, turns: float, *, went: float | None = None) -> None:
        """Turn a screw, clockwise as seen from the knob side; ``went`` is what the hand was seen to do."""
        asked = Turn(mount, screw, turns)
        self._adjust(asked, lambda: self._source.turn(mount, screw, went or turns), went=went)

    def shift(self, part: str, move_mm: list[float]) -> None:
        """Move a mount or the tube."""
        event = Shift(part, tuple(move_mm))  # type: ignore[arg-type]  # the solver counts them
        self._adjust(event, lambda: self._source.shift(part, move_mm))

    def inspected(self, cause: str, outcome: str) -> None:
        """Record the inspection of a cause."""
        self._adjust(Inspected(cause, outcome), lambda: self._source.inspected(cause, outcome))

    def _adjust(
        self, event: Turn | Shift | Inspected, by_hand: Callable[[], None], *, went: float | None = None
    ) -> None:
        due, memory = self._state.journal.step, self._state.memory
        asked = _is_asked(due, event)
        said = "Done, and saved" if asked else "Saved, but it is not the step asked for"
        expect = due.expect if asked else None
        more: Json = {}
        if went is not None and isinstance(event, Turn):
            said = f"Saved as the mark shows it: {turns_words(went)}"
            event, more = replace(event, turns=went), {"reading": {"asked_turns": event.turns}}
        step, before = self._state.journal.after(event), self._source.to_json()
        try:
            if not (asked and memory.turned):  # a held screw has turned already
                by_hand()
            self._state.save(
                event, replace(memory, expect=expect, said=said, turned=False), step=step, **more
            )
        except Exception as error:
            self._source.restore(before)  # not saved (a full disk, for example) means not done
            if isinstance(error, KeyError | ValueError) and not isinstance(error, Refused):
                raise Refused(str(error).strip("'\""), path=kind_of(event)) from error
            raise


def _is_asked(step: Step, event: Turn | Shift | Inspected) -> bool:
    """Whether the event is what the step asks for."""
    match event:
        case Turn(mount, screw, turns):
            return (step.mount, step.screw, step.turns) == (mount, screw, turns)
        case Shift(part, move_mm):
            return (step.part, step.move_mm) == (part, move_mm)
        case Inspected(cause, _):
            return step.cause == cause
