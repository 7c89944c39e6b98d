"""The true state of the practice laser, which must stay hidden during an alignment."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal, get_args

import numpy as np

from server.solver.machine.profile import STATIONS, Contact, Mount, Profile
from server.solver.machine.trace import Rays, State, trace_rays

__all__ = [
    "FIVE",
    "Severity",
    "draw_state",
    "real_profile",
    "state_as_json",
    "state_from_json",
    "truth_as_json",
]

Severity = Literal["drifted", "rebuilt"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)

FIVE = {
    "back-left": (0.0, 1.0),
    "front-left": (0.0, 0.0),
    "centre": (0.5, 0.5),
    "back-right": (1.0, 1.0),
    "front-right": (1.0, 0.0),
}

# Standard deviations in mm: tube mounts, contact points, whole mounts. Invented, of the size left by months
# of heat and cutting (drifted) or by a new tube and cleaned mirrors (rebuilt).
_SPREAD = {"drifted": (0.25, 0.025, 0.20), "rebuilt": (1.2, 0.10, 0.8)}
_ARM_SPREAD, _ARM_LIMIT = 0.06, 0.15
_CARD_MM = 20.0


def real_profile(profile: Profile, rng: np.random.Generator) -> Profile:
    """Return the true profile for a measured one: its lever arms differ by some per cent."""
    first, second, third = (_real_mount(mount, rng) for mount in profile.mount)
    return replace(profile, mount=(first, second, third))


def draw_state(real: Profile, severity: Severity, rng: np.random.Generator) -> State:
    """Return a misaligned state from which an alignment can begin.

    drifted: at all five positions every mark is on its card. rebuilt: only the first marks have to be.
    """
    for _ in range(1000):
        state = _any_state(severity, rng)
        if _can_begin(real, state, severity):
            return state
    raise ValueError("no beam can hit this profile's cards: its path is too long or its apertures too small")


def truth_as_json(profile: Profile, state: State) -> dict[str, Any]:
    """Return the truth as plain JSON: offsets (mm) at each station and the five positions, their spread."""
    names, rays = list(FIVE), _five_rays(profile, state)
    marks = rays.offset_mm
    offsets = {
        name: {station: _plain(marks[i, k]) for k, station in enumerate(STATIONS)}
        for i, name in enumerate(names)
    }
    return {
        "head_mm": {name: list(profile.head_mm(*FIVE[name])) for name in names},
        "offset_mm": offsets,
        "lens_mm": {name: _plain(rays.lens_mm[i]) for i, name in enumerate(names)},
        "overlap_mm": {STATIONS[k]: _widest(marks[:, k]) for k in (1, 2)},
        **state_as_json(state),
    }


def state_as_json(state: State) -> dict[str, Any]:
    """Return the state as plain lists."""
    return {
        "tube_mm": state.tube_mm.tolist(),
        "contact_mm": state.contact_mm.tolist(),
        "shift_mm": state.shift_mm.tolist(),
    }


def state_from_json(data: dict[str, Any]) -> State:
    """Return the state that ``state_as_json`` wrote."""
    return State(*(np.array(data[key], float) for key in ("tube_mm", "contact_mm", "shift_mm")))


def _real_mount(mount: Mount, rng: np.random.Generator) -> Mount:
    first, second, third = (_real_contact(contact, rng) for contact in mount.contact)
    return replace(mount, contact=(first, second, third))


def _real_contact(contact: Contact, rng: np.random.Generator) -> Contact:
    off = np.clip(rng.normal(0.0, _ARM_SPREAD, 2), -_ARM_LIMIT, _ARM_LIMIT)
    return replace(contact, at_mm=(contact.at_mm[0] * (1 + off[0]), contact.at_mm[1] * (1 + off[1])))


def _any_state(severity: Severity, rng: np.random.Generator) -> State:
    tube, contact, shift = _SPREAD[severity]
    return State(
        tube_mm=rng.normal(0.0, tube, (2, 2)),
        contact_mm=rng.normal(0.0, contact, (3, 3)),
        shift_mm=rng.normal(0.0, shift, (3, 3)),
    )


def _can_begin(real: Profile, state: State, severity: Severity) -> bool:
    rays = _five_rays(real, state)
    marks = np.abs(rays.offset_mm)
    if severity == "rebuilt":
        return bool((marks[0, :2] < 0.8 * _CARD_MM).all() and marks.max() > 6.0)
    through = np.abs(rays.lens_mm).max() < real.aperture.lens_mm / 3
    through = through and marks[:, 3].max() < real.aperture.nozzle_mm / 3
    return bool(through and (marks[:, :3] < 0.7 * _CARD_MM).all() and marks[:, 1:3].max() > 3.0)


def _five_rays(profile: Profile, state: State) -> Rays:
    return trace_rays(profile, state, np.array([profile.head_mm(*FIVE[name]) for name in FIVE]))


def _widest(marks_mm: Any) -> float:
    apart = np.linalg.norm(marks_mm[:, None] - marks_mm[None], axis=-1)
    return float(apart.max())


def _plain(values: Any) -> list[float]:
    return [float(value) for value in values]
