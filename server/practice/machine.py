"""A simulated laser: it hides its misalignment, obeys its screws and burns marks."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import resources
from threading import RLock
from typing import Any

import numpy as np

from server.practice.burn import Burn, burn_from_json, visible
from server.practice.hand import PLAY_TURNS, Screws, moved_by_hand, turned_by_hand
from server.practice.path import burn_at
from server.practice.truth import (
    SEVERITIES,
    Severity,
    draw_state,
    real_profile,
    state_as_json,
    state_from_json,
    truth_as_json,
)
from server.solver import STATIONS, Profile, parse_profile, profile_as_json, screw_step
from server.solver.machine.profile import Corner
from server.solver.machine.trace import trace_rays

__all__ = ["Card", "PracticeMachine", "default_profile"]

Point = tuple[float, float]
_FILES = {"back-left": "practice-1600.toml", "back-right": "practice-1600-back-right.toml"}
_PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")


def default_profile(corner: Corner = "back-left") -> Profile:
    """Return the profile of the practice laser with mirror 1 at that corner."""
    text = resources.files("server.practice").joinpath(_FILES[corner]).read_text(encoding="utf-8")
    return parse_profile(tomllib.loads(text))


@dataclass
class Card:
    """A card at a station: its number (a fresh one gets a new one) and its burns in order."""

    number: int
    seed: int
    burns: list[Burn] = field(default_factory=list)


class PracticeMachine:
    """A seeded, misaligned laser. Every method may be called from several threads.

    Positions are in the machine frame (mm), turns as in the interface (clockwise from the knob side > 0).
    ``revision`` rises with everything that changes what the camera sees.
    Raises ValueError, one line, for anything that the machine does not have.
    """

    def __init__(self, seed: int, profile: Profile | None = None, *, severity: Severity = "drifted") -> None:
        if severity not in SEVERITIES:
            raise ValueError(f"severity {severity!r}: choose drifted or rebuilt")
        self.seed, self.severity = seed, severity
        self.profile = profile or default_profile()
        self._rng = np.random.default_rng(seed)
        self._real = real_profile(self.profile, self._rng)
        self._state = draw_state(self._real, severity, self._rng)
        self._screws = Screws(self._rng.choice((0.0, PLAY_TURNS), size=(3, 3)))
        self.station = STATIONS[0]
        self.head_mm: Point = self.profile.head_mm(0.0, 1.0)
        self.cards = {station: self._new_card(number) for number, station in enumerate(STATIONS)}
        self.revision = 0
        self.lock = RLock()

    def hang(self, station: str) -> None:
        """Take the camera to that station, where its card hangs with the marks it has."""
        if station not in STATIONS:
            raise ValueError(f"no station {station!r}: choose one of {', '.join(STATIONS)}")
        with self.lock:
            self.station = station
            self.revision += 1

    def move_head(self, head_mm: Point) -> None:
        """Move the head there (mm from the bed's front-left corner)."""
        x_mm, y_mm = float(head_mm[0]), float(head_mm[1])
        bed = self.profile.bed
        if not (0 <= x_mm <= bed.width_mm and 0 <= y_mm <= bed.depth_mm):
            raise ValueError(
                f"head at [{x_mm:g}, {y_mm:g}] is off the bed {bed.width_mm:g} × {bed.depth_mm:g}"
            )
        with self.lock:
            self.head_mm = (x_mm, y_mm)
            self.revision += 1

    def pulse(self) -> None:
        """Fire once: the beam burns the card at the station if it gets there and hits it."""
        with self.lock:
            burn = self._burn()
            if burn is not None:
                self.cards[self.station].burns.append(burn)
            self.revision += 1

    def fresh_card(self) -> None:
        """Put a clean strip behind the card's window at the present station."""
        with self.lock:
            number = 1 + max(card.number for card in self.cards.values())
            self.cards[self.station] = self._new_card(number)
            self.revision += 1

    def turn(self, mount: int, screw: str, turns: float) -> None:
        """Turn a screw of mount 1–3 by about that much, as a hand does."""
        with self.lock:
            self._turn(mount, screw, lambda: turned_by_hand(turns, self._rng))

    def ease(self, mount: int, screw: str, turns: float) -> None:
        """Turn a screw by exactly that much, as a hand that watches the mark does; the play remains."""
        with self.lock:
            self._turn(mount, screw, lambda: turns)

    def glow(self) -> None:
        """Mark a film that fades: only the present mark stays on the card."""
        with self.lock:
            burn = self._burn()
            self.cards[self.station].burns[:] = [] if burn is None else [burn]
            self.revision += 1

    def shift(self, part: str, move_mm: tuple[float, float, float]) -> None:
        """Push a whole part by about that much, [X, Y, Z] in the machine frame."""
        if part not in _PARTS:
            raise ValueError(f"no part {part!r}: choose one of {', '.join(_PARTS)}")
        asked = np.array(move_mm, float)
        if part in ("tube-exit", "tube-far") and asked[0] != 0:
            raise ValueError(f"{part} moves in Y and Z only")
        with self.lock:
            self._push(part, moved_by_hand(asked, self._rng))
            self.revision += 1

    def truth(self) -> dict[str, Any]:
        """Return the machine's true state as plain JSON, for tests and for showing afterwards."""
        with self.lock:
            return truth_as_json(self._real, self._state)

    def to_json(self) -> dict[str, Any]:
        """Return the whole state as plain JSON, with the random generator's, for ``from_json``."""
        with self.lock:
            return {
                "seed": self.seed,
                "severity": self.severity,
                "profile": profile_as_json(self.profile),
                "real": profile_as_json(self._real),
                "state": state_as_json(self._state),
                "slack_turns": self._screws.slack_turns.tolist(),
                "station": self.station,
                "head_mm": list(self.head_mm),
                "cards": {station: _card_as_json(card) for station, card in self.cards.items()},
                "revision": self.revision,
                "random": _random_as_json(self._rng),
            }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> PracticeMachine:
        """Return the machine that ``to_json`` wrote."""
        machine = cls.__new__(cls)
        machine.seed, machine.severity = data["seed"], data["severity"]
        machine.profile, machine._real = parse_profile(data["profile"]), parse_profile(data["real"])
        machine._state = state_from_json(data["state"])
        machine._screws = Screws(data["slack_turns"])
        machine.station = data["station"]
        machine.head_mm = (float(data["head_mm"][0]), float(data["head_mm"][1]))
        machine.cards = {station: _card_from_json(card) for station, card in data["cards"].items()}
        machine.revision = data["revision"]
        machine._rng = _random_from_json(data["random"])
        machine.lock = RLock()
        return machine

    def _new_card(self, number: int) -> Card:
        return Card(number, int(self._rng.integers(2**31)))

    def _burn(self) -> Burn | None:
        rays = trace_rays(self._real, self._state, self.head_mm)
        burn = burn_at(self._real, rays, STATIONS.index(self.station), self.head_mm, self._rng)
        return burn if burn is not None and visible(burn) else None

    def _turn(self, mount: int, screw: str, made: Callable[[], float]) -> None:
        try:
            index = self.profile.contact_index(mount, screw)
            unit_mm = screw_step(self._real, mount, screw, 1.0)
        except (KeyError, IndexError):
            raise ValueError(f"mount {mount} has no screw {screw!r}") from None
        reached = self._screws.turn(mount - 1, index, made())
        self._state.contact_mm[mount - 1, index] += unit_mm * reached
        self.revision += 1

    def _push(self, part: str, moved_mm: Any) -> None:
        if part.startswith("mirror"):
            self._state.shift_mm[int(part[-1]) - 1] += moved_mm
        else:  # sliding a tube along itself does not move its beam
            ends = {"tube": slice(None), "tube-exit": slice(0, 1), "tube-far": slice(1, 2)}[part]
            self._state.tube_mm[ends] += moved_mm[1:]


def _card_as_json(card: Card) -> dict[str, Any]:
    return {"number": card.number, "seed": card.seed, "burns": [burn.as_json() for burn in card.burns]}


def _card_from_json(data: dict[str, Any]) -> Card:
    return Card(data["number"], data["seed"], [burn_from_json(burn) for burn in data["burns"]])


def _random_as_json(rng: np.random.Generator) -> dict[str, Any]:
    state: dict[str, Any] = dict(rng.bit_generator.state)
    # 128-bit integers are written as text: not every JSON reader keeps them exact.
    return {**state, "state": {key: str(value) for key, value in state["state"].items()}}


def _random_from_json(data: dict[str, Any]) -> np.random.Generator:
    rng = np.random.default_rng()
    state = {key: int(value) for key, value in data["state"].items()}
    rng.bit_generator.state = {**data, "state": state}
    return rng
