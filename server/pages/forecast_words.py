"""What the cut will be like at the five positions: now, as found, and after the next step."""

from __future__ import annotations

from collections.abc import Callable

from server.log import Json
from server.pages.bed import SURE
from server.pages.words import head_words
from server.solver import Forecast, Step
from server.solver.machine.power import LEAN_MM, percent
from server.solver.machine.profile import Bed
from server.solver.steps import CutThere, Known

__all__ = ["forecast_rows"]

LEVEL_MM = 0.05  # a focus this near to the height at the centre counts as equal


def forecast_rows(step: Step, bed: Bed) -> list[Json]:
    """Return one row per position: ``name``, ``power``, ``lean``, ``leans`` (too far), ``focus``, ``spot``.

    Power and lean are pairs: the value now; in words, the values as found and after the step ("" if neither
    is known). There are no rows until every station has shown a mark.
    """
    moves = step.do in ("turn", "shift")
    return [
        {
            "name": head_words(place.head_mm, bed),
            "power": _times(place, moves, lambda cut: f"{percent(cut.power.value)} %"),
            "lean": _times(place, moves, lambda cut: _pair(cut.lean_mm)),
            "leans": place.now.lean_mm.value > LEAN_MM,
            "focus": _focus(place.now.focus_mm.value),
            "spot": f"{place.now.spot_mm.value:.2f} mm",
        }
        for place in step.forecast or ()
    ]


def _times(place: Forecast, moves: bool, words: Callable[[CutThere], str]) -> list[str]:
    beside = [f"found {words(place.found)}"] if place.found else []
    if moves:
        beside.append(f"after the next step {words(place.after)}")
    return [words(place.now), ", ".join(beside)]


def _pair(known: Known) -> str:
    return f"{known.value:.2f} ± {SURE * known.sigma:.2f} mm"


def _focus(below_mm: float) -> str:
    if abs(below_mm) < LEVEL_MM:
        return "as at the centre"
    return f"{abs(below_mm):.1f} mm {'lower' if below_mm > 0 else 'higher'}"
