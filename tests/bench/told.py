"""A bound for the solver: the same decisions with everything known about the machine that could be known.

It knows the true lengths and lever arms, how each screw and base works, that nothing is broken, and the sizes
of the errors of cards, pulses, readings and hands. It does not know where the beam goes, nor any single
error. If it does not align a machine, or needs as many pulses, better estimates would not help the solver;
only decisions that look further ahead might.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import numpy as np

from server.solver import answer
from server.solver.documents import parse_profile
from server.solver.estimate import belief, hypotheses, screws
from tests.machines import Machine

CERTAIN = 1e9  # so many marks and hangings count as seen that the sizes of errors are certain
NEVER = 1e-6  # probability given to what does not happen
LEAST_ROLL = 1e-3  # rad


class Told:
    """A player: call it with the alignment document, get the next step."""

    def __init__(self, machine: Machine) -> None:
        self.errs, lens = machine.disturbed, machine.profile.get("lens")
        self.profile = machine.true_profile | ({"lens": lens} if lens else {})
        self.hang_var = [self._hang_var(station) for station in ("mirror-1", "nozzle")]
        self.start = self._start(machine)
        self.known: dict[Any, hypotheses.Mixture] = {}

    def __call__(self, document: dict[str, Any]) -> dict[str, Any]:
        events = [self._honest(event) for event in document["events"]]
        with (
            self._sizes(),
            patch.object(belief, "prior", lambda profile: self.start),
            patch.object(belief, "_KNOWN", self.known),
        ):
            return answer({"machine": self.profile, "events": events})

    def _honest(self, event: dict[str, Any]) -> dict[str, Any]:
        """The event; a mark gets the true sigma of its reading."""
        if event["kind"] != "mark":
            return event
        return event | {"sigma_mm": event["sigma_mm"] * self.errs.sigma_factor}

    def _hang_var(self, station: str) -> float:
        size = self.errs.hanging_mm * (station in self.errs.hanging_at)
        return max(self._variance(size), hypotheses.MODEL_SD**2)

    def _variance(self, size: float) -> float:
        """Variance of a hanging's error of this nominal size: an sd if normal, a limit if uniform."""
        return float(size**2 / (1 if self.errs.hanging_law == "normal" else 3))

    @contextmanager
    def _sizes(self) -> Iterator[None]:
        """Give the first kind of noise the true sizes while the block runs."""
        sizes: dict[str, Any] = {
            "HANG_VAR": self.hang_var,
            "ROLL_VAR": max(self._variance(np.radians(self.errs.hanging_deg)), LEAST_ROLL**2),
            "PULSE_VAR": self.errs.tape_mm**2,
            "JITTER_SD": 1e-3 * self.errs.jitter_mrad,
            "LOCK_SD": 1e-3 * self.errs.locknut_mrad,
            "ASTRAY": max(self.errs.mode_share, NEVER),
            "SLIPS": max(self.errs.slips, NEVER),
        }
        before = {name: getattr(hypotheses, name)[0].copy() for name in sizes}
        try:
            for name, size in sizes.items():
                getattr(hypotheses, name)[0] = size
            yield
        finally:
            for name, size in before.items():
                getattr(hypotheses, name)[0] = size

    def _start(self, machine: Machine) -> hypotheses.Mixture:
        """One hypothesis: no fault, the first kind of noise, all screws and bases as they are."""
        with self._sizes():
            hypotheses.prior.cache_clear()
            whole = hypotheses.prior(parse_profile(self.profile))
            hypotheses.prior.cache_clear()
        start = hypotheses.take(whole, np.array([0]), np.zeros(1))
        start.hang[0] = CERTAIN * np.array([[1.0, var] for var in self.hang_var])
        start.pulse[0] = CERTAIN
        start.sign[0] = 1
        if machine.dead:
            start.sign[0, 3 * machine.dead[0] - 3 + machine.contact_number(*machine.dead)] = screws.DEAD
        if self.errs.bases != "free":
            start.sign[0, 9:] = screws.DEAD
        return start
