"""Lengths in inches for those who use them; the data stay in millimetres."""

from __future__ import annotations

import re
from typing import Any

__all__ = ["MM", "in_inches", "with_point"]

MM_PER_INCH = 25.4  # exact, by the international yard and pound agreement of 1959
MM = {"mm": 1.0, "inch": MM_PER_INCH}  # in one unit, by the units that lengths are typed in
_LENGTH = re.compile(r"([+-]?\d+(?:\.\d+)?)(?: ± (\d+(?:\.\d+)?))? mm\b")
_BARE_PAIR = re.compile(r"([+-]\d+\.\d+)(?= (?:right|up))")


def with_point(typed: object) -> object:
    """Return a typed number with a decimal point for a decimal comma: 1300,5 is 1300.5."""
    if not isinstance(typed, str):
        return typed
    return typed.strip().replace(",", ".") if typed.count(",") == 1 else typed.strip()


def in_inches(state: Any) -> Any:
    """Return a page's state with lengths in sentences and figures in inches; drawings stay in mm."""
    if isinstance(state, str):
        return _words(state)
    if isinstance(state, list):
        return [in_inches(value) for value in state]
    if isinstance(state, dict):
        return _figure({key: in_inches(value) for key, value in state.items()})
    return state


def _words(text: str) -> str:
    if text.endswith("(mm)"):
        return _BARE_PAIR.sub(lambda found: _inch(found[1], sign="+"), text[:-4]) + "(in)"
    return _LENGTH.sub(lambda found: " ± ".join(_inch(mm) for mm in found.groups() if mm) + " in", text)


def _figure(shown: dict[str, Any]) -> dict[str, Any]:
    if shown.get("unit") == "mm":
        return {**shown, "value": _inch(shown["value"]), "unit": "in"}
    return shown


def _inch(mm: str, *, sign: str = "") -> str:
    return format(float(mm) / MM_PER_INCH, f"{sign}.3f")
