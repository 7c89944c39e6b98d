"""Estimate where the beam is from all marks and moves, with every lever, sign and reading error known.

Maximum a posteriori by Gauss–Newton on the exact trace. The unknowns are the misalignment at the start (22
numbers) and the hand's error in each move. Priors are wide enough for a rebuilt machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.machines import STATIONS, Machine, Misalignment, Screw, offsets
from tests.machines.hands import HAND_GAIN_SD, HAND_TURN_SD, PLAY_TURNS, SHIFT_SD_MM
from tests.machines.optics import Array, Layout, reaches

SIZE = 22  # tube 4, contacts 9, shifts 9
STEP_MM = 1e-4


def unpack(x: Array) -> Misalignment:
    """The state for unknowns (…, 22), with the same leading dimensions."""
    lead = x.shape[:-1]
    return Misalignment(
        x[..., :4].reshape(*lead, 2, 2),
        x[..., 4:13].reshape(*lead, 3, 3),
        x[..., 13:].reshape(*lead, 3, 3),
    )


def prior_covariance(layout: Layout) -> Array:
    """(22, 22): tube ends 4 mm, mirrors 12 mrad and 0.4 mm (mirror 3: 0.2), mounts 2 mm (mount 3: 0.4)."""
    cov = np.zeros((SIZE, SIZE))
    cov[:4, :4] = np.eye(4) * 4.0**2
    for k, (even_mm, place_mm) in enumerate([(0.4, 2.0), (0.4, 2.0), (0.2, 0.4)]):
        at = layout.at_mm[k]
        c, s = 4 + 3 * k, 13 + 3 * k
        cov[c : c + 3, c : c + 3] = at @ at.T * 0.012**2 + even_mm**2 + np.eye(3) * 1e-6
        cov[s : s + 3, s : s + 3] = np.eye(3) * place_mm**2
    return cov


@dataclass
class Belief:
    """mean (22,) and covariance (22, 22) of the state now."""

    layout: Layout
    mean: Array
    cov: Array

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        return rng.multivariate_normal(self.mean, self.cov, count, method="eigh")

    def expected(self, station: str, head_mm: Array) -> tuple[Array, Array]:
        """Mean (2,) and sd (2,) of the mark's offset there."""
        seen, slope = linearised(self.layout, self.mean[None], np.asarray(head_mm)[None], [station])
        return seen[0], np.sqrt(np.einsum("ij,jk,ik->i", slope[0], self.cov, slope[0]))

    def visible(self, station: str, head_mm: Array, rng: np.random.Generator) -> float:
        """Probability of seeing a mark there."""
        found = offsets(self.layout, unpack(self.draw(100, rng)), np.asarray(head_mm))
        return float(np.mean(reaches(self.layout, found, station)))


def linearised(layout: Layout, x: Array, head_mm: Array, stations: list[str]) -> tuple[Array, Array]:
    """Offsets (m, 2) and slopes (m, 2, 22) of m marks with states (m, 22), heads (m, 2) and stations."""
    around = np.concatenate([np.zeros((1, SIZE)), STEP_MM * np.eye(SIZE), -STEP_MM * np.eye(SIZE)])
    found = offsets(layout, unpack(x[:, None] + around), head_mm[:, None])
    seen = np.stack([found[s][i] for i, s in enumerate(stations)])
    slope = (seen[:, 1 : SIZE + 1] - seen[:, SIZE + 1 :]) / (2 * STEP_MM)
    return seen[:, 0], np.swapaxes(slope, 1, 2)


class Estimator:
    """Turns an alignment document into a belief, knowing the machine's true levers and signs."""

    def __init__(self, machine: Machine) -> None:
        self.layout = machine.layout
        self.number = machine.contact_number
        self.threads = {key: (s.pitch_mm, s.clockwise) for key, s in machine.screws.items()}
        self.prior = np.linalg.cholesky(prior_covariance(self.layout))

    def belief(self, events: list[dict[str, Any]]) -> Belief:
        moves, marks = self._moves(events), [e for e in events if e["kind"] == "mark"]
        size = SIZE + len(moves)
        maps, known = self._maps(events, moves)
        root = np.zeros((size, size))
        root[:SIZE, :SIZE] = self.prior
        root[range(SIZE, size), range(SIZE, size)] = [sd for _, _, sd, _ in moves]
        theta, cov = np.zeros(size), root @ root.T
        for _ in range(4 if marks else 0):
            theta, cov = self._step(theta, root, marks, maps, known)
        now = maps[-1]
        return Belief(self.layout, now @ theta + known[-1], now @ cov @ now.T)

    def _step(
        self, theta: Array, root: Array, marks: list[dict[str, Any]], maps: Array, known: Array
    ) -> tuple[Array, Array]:
        """One Gauss-Newton step in whitened unknowns (theta = root @ z, z standard normal)."""
        states = maps[:-1] @ theta + known[:-1]
        heads = np.array([m["head_mm"] for m in marks])
        seen, slope = linearised(self.layout, states, heads, [m["station"] for m in marks])
        sigma = np.array([np.hypot(m["sigma_mm"], 0.01) for m in marks])[:, None]
        design = (np.einsum("mij,mjk->mik", slope, maps[:-1]) / sigma[..., None]).reshape(-1, len(theta))
        left = ((np.array([m["offset_mm"] for m in marks]) - seen) / sigma).ravel() + design @ theta
        white = design @ root
        inverse = np.linalg.inv(white.T @ white + np.eye(len(theta)))
        return root @ (inverse @ (white.T @ left)), root @ inverse @ root.T

    def _moves(self, events: list[dict[str, Any]]) -> list[tuple[int, Array, float, float]]:
        """(event number, direction (22,), sd of the error mm, expected mm) of each thing that moved."""
        screws = {k: Screw(p, c, PLAY_TURNS / 2, 0.0) for k, (p, c) in self.threads.items()}
        moves = []
        for i, event in enumerate(events):
            if event["kind"] == "turn":
                key = event["mount"], event["screw"]
                before = screws[key].travel_mm
                screws[key].turn(event["turns"])
                sd = np.hypot(HAND_GAIN_SD * event["turns"], np.hypot(HAND_TURN_SD, PLAY_TURNS / 4))
                unit = np.eye(SIZE)[4 + 3 * (key[0] - 1) + self.number(*key)]
                moves.append((i, unit, sd * self.threads[key][0], screws[key].travel_mm - before))
            if event["kind"] == "shift":
                for place, moved in shift_places(event["part"], event["move_mm"]):
                    sd = float(np.hypot(HAND_GAIN_SD * moved, SHIFT_SD_MM))
                    moves.append((i, np.eye(SIZE)[place], sd, moved))
        return moves

    def _maps(self, events: list[dict[str, Any]], moves: list[Any]) -> tuple[Array, Array]:
        """For each mark, and for now: state = map @ unknowns + known."""
        when = [i for i, e in enumerate(events) if e["kind"] == "mark"] + [len(events)]
        maps, known = np.zeros((len(when), SIZE, SIZE + len(moves))), np.zeros((len(when), SIZE))
        maps[:, :, :SIZE] = np.eye(SIZE)
        for j, (i, unit, _, expected) in enumerate(moves):
            after = np.array(when) > i
            maps[after, :, SIZE + j] = unit
            known[after] += unit * expected
        return maps, known


def shift_places(part: str, move_mm: list[float]) -> list[tuple[int, float]]:
    """Which of the 22 numbers a shift moves, and by how much."""
    if part.startswith("tube"):
        ends = {"tube": (0, 1), "tube-exit": (0,), "tube-far": (1,)}[part]
        places = [(2 * end + axis, move_mm[1 + axis]) for end in ends for axis in (0, 1)]
    else:
        places = [(13 + 3 * (int(part[-1]) - 1) + axis, move_mm[axis]) for axis in range(3)]
    return [(place, moved) for place, moved in places if moved]


__all__ = ["STATIONS", "Belief", "Estimator", "shift_places", "unpack"]
