"""A held practice screw: it turns slowly while the button is held, and a fading film shows the beam."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from server.session.notes import seen_now
from server.session.rig_state import RigView
from server.session.services import Refused, Services
from server.session.snapshot import LiveMark
from server.solver import Step
from server.sources.base import NoPicture, Source
from vision import Reading

__all__ = ["HeldScrew"]

WHOLE_WAY_S = 6.0  # time for the whole turn that the step asks for
SLOWEST, FASTEST = 1 / 40, 1 / 4  # turns per second
FIRST_S, LONGEST_S = 0.1, 0.5  # without another call within LONGEST_S the screw counts as let go
# At least this many looks over the asked turn, so that none skips "stop" on a slow computer (pages/way.py).
LOOKS = 16


class HeldScrew:
    """Turns the practice screw while it is held, and reads the mark from the camera after each move."""

    def __init__(
        self, source: Source, services: Services, rig: RigView, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._source, self._services, self._rig, self._clock = source, services, rig, clock
        self._began_s = 0.0  # when the last look began, and when it ended (inf: not yet; None: none)
        self._ended_s: float | None = None
        self._seen: LiveMark | None = None  # the mark at the last look

    @property
    def held(self) -> bool:
        """Whether the screw is being held now."""
        return self._ended_s is not None and self._clock() - self._ended_s <= LONGEST_S

    @property
    def shown(self) -> bool:
        """Whether the shown mark comes from a hold: while held, and until something else is done."""
        return self.held or (self._seen is not None and self._rig.live is self._seen)

    def ease(self, step: Step, mount: int, screw: str, way: int) -> None:
        """Turn (+1 clockwise, -1 back) for the time since the last call, and look; 0 lets go.

        The first call of a step only looks: the marks on the tape do not show where the beam goes now.
        """
        span_s, self._began_s = self._span_s(), self._clock()
        turns = way * min(_speed(step) * span_s, _asked(step) / LOOKS) if self.shown else 0.0
        self._ended_s = math.inf  # a look may take longer than LONGEST_S
        try:
            self._turn(mount, screw, turns)
            self._look()
        finally:
            self._ended_s = self._clock() if way else None

    def _turn(self, mount: int, screw: str, turns: float) -> None:
        try:
            self._source.ease(mount, screw, turns)
        except (KeyError, ValueError) as error:
            raise Refused(str(error).strip("'\""), path="screw") from error

    def _span_s(self) -> float:
        return min(self._clock() - self._began_s, LONGEST_S) if self.held else FIRST_S

    def _look(self) -> None:
        # one frame in a hundred misses a mark that is there, so only two in a row mean that it has left
        number = -1
        for _ in range(2):
            try:
                frame = self._source.look(newer_than=number, timeout_s=2.0)
            except NoPicture as error:
                raise Refused(str(error), path="camera", status=409) from error
            number, found = frame.number, self._services.read(frame.pixels, None)
            self._seen = seen_now(found, frame.time_s) if isinstance(found, Reading) and found.marks else None
            if self._seen is not None:
                break
        self._rig.set_beam(self._seen)


def _speed(step: Step) -> float:
    """Turns per second."""
    return min(max(_asked(step) / WHOLE_WAY_S, SLOWEST), FASTEST)


def _asked(step: Step) -> float:
    return abs(0.25 if step.turns is None else step.turns)
