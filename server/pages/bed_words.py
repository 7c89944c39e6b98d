"""The bed's map in words and figures: the worst place, the table of the five positions."""

from __future__ import annotations

from server.log import Json
from server.pages.bed import SURE, BedMap, Spot
from server.solver.machine.power import percent

__all__ = ["spot_rows", "worst_words"]


def worst_words(bed: BedMap) -> Json:
    """Return where it is worst, how far off, what passes there, and how sure the place is. Once the bed is
    aligned, it does not matter which place is worst."""
    worst, verdict = bed.worst, bed.step.verdict
    aligned = verdict is not None and verdict.aligned
    others = [] if aligned else [spot.name for spot in bed.rivals]
    doubt = f"The marks so far cannot tell it from the {_listed(others)}." if others else ""
    return {"place": worst.name, "offset": _offset(worst), "power": _power(worst), "doubt": doubt}


def spot_rows(start: BedMap | None, now: BedMap) -> list[Json]:
    """Return one row per named place: its name, the offset as found and now, what passes."""
    rows = []
    for index, spot in enumerate(now.spots):
        found = start.spots[index] if start else None
        rows.append(
            {
                "name": spot.name,
                "worst": spot is now.worst,
                "found": found and {"offset": _offset(found), "way": _way(found)},
                "now": {"offset": _offset(spot), "way": _way(spot)},
                "power": _power(spot),
            }
        )
    return rows


def _offset(spot: Spot) -> str:
    return f"{spot.length_mm:.2f} ± {SURE * spot.sigma_mm:.2f} mm"


def _way(spot: Spot) -> str:
    parts = []
    for value, more, less in zip(spot.offset_mm, ("right", "up"), ("left", "down"), strict=True):
        if abs(value) >= 0.05:
            parts.append(f"{abs(value):.1f} mm {more if value > 0 else less}")
    return ", ".join(parts) or "on the centre"


def _power(spot: Spot) -> str:
    likely, least = percent(spot.power), percent(spot.power_low)
    return f"{likely} %" if likely == least else f"{likely} %, at least {least} %"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
