"""Plan the fewest moves that bring the expected beam within a share of all tolerances, every lever known."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.bench.estimate import SIZE, Belief, shift_places, unpack
from tests.machines import Machine, offsets
from tests.machines.optics import Array

Step = dict[str, Any]
Action = tuple[str | tuple[int, str], Array]
PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")
GOOD = 0.45  # share of each tolerance within which a plan must bring the beam
DAMPED = 0.02  # cost of a move in tolerances per mm, so that useless moves are not made
MOST_MOVES = 12
SMALLEST_TURN = 1 / 64
SMALLEST_MOVE_MM = 0.1


class Planner:
    """Makes plans for one machine; they are judged at the corners (4, 2) of its bed, mm."""

    def __init__(self, machine: Machine, corners: Array) -> None:
        self.layout, self.profile, self.corners = machine.layout, machine.profile, corners
        self.threads = {key: (s.pitch_mm, s.clockwise) for key, s in machine.screws.items()}
        self.number = machine.contact_number

    def targets(self, x: Array, until: str = "") -> Array:
        """(…, k) errors at the corners in units of the tolerances, of states x (…, SIZE); up to a station."""
        allowed = self.profile["tolerance"]
        found = offsets(self.layout, unpack(x[..., None, :]), self.corners)
        first, second, third = (found[f"mirror-{k}"] for k in (1, 2, 3))
        parts = [first[..., :1, :] / allowed["centre_mm"]]
        if until != "mirror-1":
            parts += [
                _mean(second) / allowed["centre_mm"],
                (second - _mean(second)) / (allowed["overlap_mm"] / 2),
            ]
        if until in ("", "nozzle"):
            parts += [
                _mean(third) / allowed["centre_mm"],
                (third - _mean(third)) / (allowed["overlap_mm"] / 2),
            ]
        if until == "":
            parts += [found["lens"] / allowed["lens_mm"], found["nozzle"] / allowed["nozzle_mm"]]
        return np.concatenate([p.reshape(*p.shape[:-2], -1) for p in parts], axis=-1)

    def actions(self, until: str) -> list[Action]:
        """Each thing that can be moved in one step, with its directions (n, 22) in the state."""
        last = {"mirror-1": 0, "mirror-2": 1, "mirror-3": 2}.get(until, 3)
        shifts = [(p, self.directions(p)) for p in PARTS if p.startswith("tube") or int(p[-1]) <= last]
        screws = [(key, np.eye(SIZE)[[self.place(*key)]]) for key in self.threads if key[0] <= last]
        return [*shifts, *screws]

    def directions(self, part: str) -> Array:
        axes = (1, 2) if part.startswith("tube") else (0, 1, 2)
        rows = np.zeros((len(axes), SIZE))
        for row, axis in zip(rows, axes, strict=True):
            for place, moved in shift_places(part, [float(a == axis) for a in range(3)]):
                row[place] = moved
        return rows

    def plan(self, belief: Belief, until: str = "") -> list[Step]:
        """Moves, in the beam's order, that bring the mean of everything up to a station within GOOD."""
        actions = self.actions(until)
        chosen = self.choose(belief.mean, actions, until)
        _, amounts, _ = self.fit(belief.mean, chosen, actions, until, rounds=3)
        steps = [self.step(actions[i][0], amount) for i, amount in zip(chosen, amounts, strict=True)]
        return sorted([s for s in steps if s], key=_along_the_beam)

    def choose(self, mean: Array, actions: list[Action], until: str) -> list[int]:
        """Indices of actions: the best is added, one after the other, then those not needed are dropped."""
        chosen: list[int] = []
        left = self.fit(mean, [], actions, until)[0]
        while left > GOOD and len(chosen) < min(MOST_MOVES, len(actions)):
            free = [i for i in range(len(actions)) if i not in chosen]
            tries = [self.fit(mean, [*chosen, i], actions, until) for i in free]
            best = int(np.argmin([t[2] for t in tries]))
            left = tries[best][0]
            chosen.append(free[best])
        for i in list(chosen):
            fewer = self.fit(mean, [c for c in chosen if c != i], actions, until)[0]
            if fewer <= max(GOOD, left):
                chosen.remove(i)
                left = fewer
        return chosen

    def fit(
        self, mean: Array, chosen: list[int], actions: list[Action], until: str, rounds: int = 1
    ) -> tuple[float, list[Array], float]:
        """(largest target left, amounts, sum of squares left) after the best use of the chosen actions."""
        if not chosen:
            left = self.targets(mean, until)
            return float(np.max(np.abs(left))), [], float(left @ left)
        rows = np.concatenate([actions[i][1] for i in chosen])
        amounts = np.zeros(len(rows))
        for _ in range(rounds):
            here = mean + amounts @ rows
            left = self.targets(here, until)
            near = np.stack([here + 1e-3 * rows, here - 1e-3 * rows])
            slope = np.subtract(*self.targets(near, until)).T / 2e-3
            damped = np.concatenate([slope, DAMPED * np.eye(len(rows))])
            change = np.linalg.lstsq(damped, np.concatenate([-left, -DAMPED * amounts]), rcond=None)[0]
            amounts, left = amounts + change, left + slope @ change
        cuts = np.cumsum([len(actions[i][1]) for i in chosen])[:-1]
        return float(np.max(np.abs(left))), np.split(amounts, cuts), float(left @ left)

    def step(self, what: str | tuple[int, str], amount: Array) -> Step | None:
        if isinstance(what, tuple):
            return self.turn(*what, float(amount[0]))
        move = [0.0] * (3 - len(amount)) + [float(np.clip(a, -50, 50)) for a in amount]
        move = [a if abs(a) > SMALLEST_MOVE_MM else 0.0 for a in move]
        return {"do": "shift", "part": what, "move_mm": move, "say": "shift"} if any(move) else None

    def turn(self, mirror: int, screw: str, travel_mm: float) -> Step | None:
        pitch_mm, clockwise = self.threads[mirror, screw]
        turns = float(np.clip(travel_mm / (pitch_mm * clockwise), -20, 20))
        if abs(turns) < SMALLEST_TURN / 2:
            return None
        return {"do": "turn", "mount": mirror, "screw": screw, "turns": turns, "say": "turn"}

    def place(self, mirror: int, screw: str) -> int:
        return 4 + 3 * (mirror - 1) + self.number(mirror, screw)


def _mean(marks: Array) -> Array:
    return np.asarray(marks.mean(axis=-2, keepdims=True))


def _along_the_beam(step: Step) -> int:
    if step["do"] == "turn":
        return 10 * int(step["mount"]) + 5
    return PARTS.index(step["part"]) if step["part"].startswith("tube") else 10 * int(step["part"][-1])
