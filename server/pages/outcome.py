"""The outcome of an alignment in words: good enough, nearly, or not yet."""

from __future__ import annotations

from dataclasses import dataclass

from server.solver.machine.profile import Tolerance
from server.solver.steps import Verdict
from server.solver.words import station_words

__all__ = ["Measure", "headline", "measures", "outcome_words", "worst"]


@dataclass(frozen=True)
class Measure:
    """One number of a verdict, and the largest that is allowed. short : a word for the large letters."""

    name: str
    short: str
    value_mm: float
    limit_mm: float

    @property
    def good(self) -> bool:
        """Whether it is within what is allowed."""
        return self.value_mm <= self.limit_mm


def measures(verdict: Verdict, tolerance: Tolerance) -> list[Measure]:
    """Return all numbers that a verdict knows, in the beam's order within each kind."""
    overlap, centre = verdict.overlap_mm.items(), verdict.centre_mm.items()
    return [
        *(
            Measure(f"overlap at {station_words(at)}", "Overlap", mm, tolerance.overlap_mm)
            for at, mm in overlap
        ),
        *(Measure(f"centre at {station_words(at)}", "Centre", mm, tolerance.centre_mm) for at, mm in centre),
        *(
            [Measure("offset at the lens", "Lens", verdict.lens_mm, tolerance.lens_mm)]
            if verdict.lens_mm is not None
            else []
        ),
        Measure("offset at the nozzle", "Nozzle", verdict.nozzle_mm, tolerance.nozzle_mm),
    ]


def worst(verdict: Verdict, tolerance: Tolerance) -> Measure | None:
    """Return the number that is farthest beyond what is allowed, None if all are within it."""
    beyond = [measure for measure in measures(verdict, tolerance) if not measure.good]
    return max(beyond, key=lambda measure: measure.value_mm / measure.limit_mm, default=None)


def headline(*, aligned: bool, within: bool) -> str:
    """Return the verdict in a line. ``within``: every number is within what is allowed."""
    if not aligned:
        return "Not good enough to cut yet"
    return "Good enough to cut" if within else "Nearly: no step is sure to improve it"


def outcome_words(verdict: Verdict | None, tolerance: Tolerance) -> str:
    """Return the outcome of an alignment that is done, in a sentence or two."""
    if verdict is None:
        return "Done: the marks were found where they belong."
    beyond = worst(verdict, tolerance)
    if beyond is not None:
        found = f"the {beyond.name} is {beyond.value_mm:.1f} mm, {beyond.limit_mm:g} mm is allowed"
        return f"Nearly: {found}. No step is sure to improve it: make a test cut."
    at = max(verdict.overlap_mm, key=lambda station: verdict.overlap_mm[station])
    spans = f"the marks at {station_words(at)} lie {verdict.overlap_mm[at]:.1f} mm apart at most"
    return f"Good enough to cut: {spans}, {tolerance.overlap_mm:g} mm is allowed."
