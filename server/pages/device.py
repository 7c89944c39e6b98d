"""What each device remembers for its user: units of length, the hand for the controls, light or dark."""

from __future__ import annotations

from typing import Any, Literal, get_args

from flask import Response, jsonify, request

from server.pages.bodies import Body
from server.pages.units import in_inches

__all__ = ["Device", "hand", "in_units", "remember", "theme", "units"]

KEPT_S = 180 * 86400
Units = Literal["mm", "inch"]
Side = Literal["right", "left"]
Theme = Literal["auto", "light", "dark"]


class Device(Body):
    """What to remember from now on; None leaves a setting as it is."""

    units: Units | None = None
    hand: Side | None = None
    theme: Theme | None = None


def units() -> str:
    """Return the units of length of the device that asks: mm or inch."""
    return _kept("units", get_args(Units))


def hand() -> str:
    """Return the hand that the device that asks has its controls for: right or left."""
    return _kept("hand", get_args(Side))


def theme() -> str:
    """Return the brightness of the device that asks: auto (as its system), light or dark."""
    return _kept("theme", get_args(Theme))


def in_units(shown: Any) -> Any:
    """Return words, or plain JSON of words, with lengths in the units of the device that asks."""
    return in_inches(shown) if units() == "inch" else shown


def remember(device: Device) -> Response:
    """Return the answer that sets these as cookies on the device."""
    given = device.model_dump(exclude_none=True)
    answer = jsonify({"units": units(), "hand": hand(), "theme": theme(), **given})
    for name, value in given.items():
        answer.set_cookie(
            f"spotwright_{name}",
            value,
            max_age=KEPT_S,
            httponly=True,
            samesite="Strict",
            secure=request.is_secure,
        )
    return answer


def _kept(name: str, allowed: tuple[str, ...]) -> str:
    value = request.cookies.get(f"spotwright_{name}")
    return value if value in allowed else allowed[0]
