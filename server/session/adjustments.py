"""What hands change at the laser: a screw, a mount, a cause. The practice laser's hands do it here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from server.session.services import Refused
from server.session.state import Standing
from server.sources.base import Source

__all__ = ["Adjusting"]

Json = dict[str, Any]
_KINDS = {"turn": "turn", "shift": "shift", "inspect": "inspected"}  # what a step asks: the event of it


class Adjusting:
    """Lets the source's hands do it, and saves it; raises Refused, with nothing done, where it may not be.

    Whoever calls from several threads locks.
    """

    def __init__(self, standing: Standing, source: Source) -> None:
        self._standing, self._source = standing, source

    def turn(self, mount: int, screw: str, turns: float) -> None:
        """Turn a screw, clockwise as seen from the knob side."""
        event = {"kind": "turn", "mount": mount, "screw": screw, "turns": turns}
        self._adjust(event, lambda: self._source.turn(mount, screw, turns))

    def shift(self, part: str, move_mm: list[float]) -> None:
        """Move a mount or the tube."""
        event = {"kind": "shift", "part": part, "move_mm": move_mm}
        self._adjust(event, lambda: self._source.shift(part, move_mm))

    def inspected(self, cause: str, outcome: str) -> None:
        """Look at a cause."""
        event = {"kind": "inspected", "cause": cause, "outcome": outcome}
        self._adjust(event, lambda: self._source.inspected(cause, outcome))

    def _adjust(self, event: Json, by_hand: Callable[[], None]) -> None:
        due, memory = self._standing.journal.step, self._standing.memory
        asked = _as_asked(due, event)
        said = "Done, and saved" if asked else "Saved, though it was not the step"
        expect = due.get("expect") if asked else None
        step = self._standing.journal.after(event)
        try:
            if not (asked and memory.turned):  # a held screw has turned already
                by_hand()
        except (KeyError, ValueError) as error:
            raise Refused(str(error).strip("'\""), path=str(event["kind"])) from error
        self._standing.save(event, replace(memory, expect=expect, said=said, turned=False), step=step)


def _as_asked(step: Json, event: Json) -> bool:
    keys = [key for key in event if key not in ("kind", "outcome")]
    return _KINDS.get(step["do"]) == event["kind"] and all(step.get(key) == event[key] for key in keys)
