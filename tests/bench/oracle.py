"""A player that knows every lever and sign, but not the misalignment, the noise, the hand's errors or faults.

It makes marks along the chain wherever it does not know enough, chooses the fewest moves that should bring
everything within half the tolerances, makes them all, marks again, and ends with the five positions.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.bench.estimate import SIZE, Belief, Estimator, unpack
from tests.bench.planner import Planner, Step
from tests.machines import Machine, offsets
from tests.machines.optics import Array, reaches

WORTH_A_MOVE = 0.85  # share of the tolerance: below it another turn by hand is as likely to harm as to help
KNOWN = {"rig": 0.2, "eye": 0.35}  # share of the tolerance: marks known better than this need no pulse
SURE = {"rig": 0.97, "eye": 0.93}
ENOUGH_VISIBLE = 0.7
ALONG = (1.0, 0.5, 0.25, 0.1, 0.04, 0.0)  # where the head may stand, from far to near


class Oracle:
    """A player: call it with the alignment document, get the next step."""

    def __init__(self, machine: Machine) -> None:
        self.estimator = Estimator(machine)
        self.layout, self.profile = machine.layout, machine.profile
        self.threads = self.estimator.threads
        self.rng = np.random.default_rng(0)
        self.queue: list[Step] = []
        self.reading = "rig" if machine.sigma_mm < 0.2 else "eye"
        self.searched, self.lost = 0, ""
        self.missed: set[tuple[str, tuple[float, float]]] = set()
        w, d = self.layout.width_mm, self.layout.depth_mm
        self.near_x = 0.0 if self.layout.incoming[2, 0] > 0 else w
        self.far_x = w - self.near_x
        self.five = [(0.0, d), (0.0, 0.0), (w / 2, d / 2), (w, d), (w, 0.0)]
        self.nearest = 0 if self.near_x == 0.0 else 3
        self.planner = Planner(machine, np.array([self.five[i] for i in (0, 1, 3, 4)]))

    def __call__(self, document: dict[str, Any]) -> Step:
        events = document["events"]
        self.note(events[-1] if events else {"kind": "none"})
        if self.queue:
            return self.queue.pop(0)
        belief = self.estimator.belief(events)
        if self.lost:
            self.queue = self.centre_before(belief, self.lost) or self.search(self.lost)
            self.lost = ""
            return self.queue.pop(0)
        return self.look(belief) or self.move(belief) or self.confirm(belief, events)

    # measure

    def note(self, event: dict[str, Any]) -> None:
        """Remember a blank until something moves; a blank at the nearest place starts the search."""
        if event["kind"] == "no-mark":
            self.missed.add((event["station"], tuple(event["head_mm"])))
            if (
                event["station"] in ("mirror-1", "nozzle")
                or tuple(event["head_mm"]) == self.five[self.nearest]
            ):
                self.queue, self.lost = [], event["station"]
        elif event["kind"] == "mark":
            self.searched = 0
        else:
            self.missed.clear()

    def chain(self) -> list[tuple[str, list[tuple[float, float]]]]:
        """Stations in the beam's order, each with heads from the one wanted to the nearest."""
        d = self.layout.depth_mm
        along_y = [(self.near_x, d * (1 - a)) for a in ALONG]
        along_x = [(self.near_x + a * (self.far_x - self.near_x), d) for a in ALONG]
        return [
            ("mirror-1", [(self.near_x, d)]),
            ("mirror-2", along_y[-1:]),
            ("mirror-2", along_y),
            ("mirror-3", along_x[-1:]),
            ("mirror-3", along_x),
            ("nozzle", [self.five[self.nearest]]),
        ]

    def look(self, belief: Belief) -> Step | None:
        """The first mark along the chain that is not known well enough, or moves that make it visible; None
        if all are known."""
        for station, heads in self.chain():
            mean, sd = belief.expected(station, np.array(heads[0]))
            if np.max(sd) <= self.enough(station, mean):
                continue
            for head in heads:
                if (station, head) in self.missed:
                    continue
                if belief.visible(station, np.array(head), self.rng) >= ENOUGH_VISIBLE:
                    near_mean, near_sd = belief.expected(station, np.array(head))
                    if np.max(near_sd) > 0.5 * self.enough(station, near_mean) or head == heads[0]:
                        return pulse(station, head)
            self.queue = self.planner.plan(belief, until=station) or self.planner.plan(belief, until="nozzle")
            return self.queue.pop(0) if self.queue else pulse(station, heads[-1])
        return None

    def enough(self, station: str, mean: Array) -> float:
        """Sd (mm) to which a mark must be known before a move: a share of the tolerance or of its offset."""
        tolerance = self.profile["tolerance"]["nozzle_mm" if station == "nozzle" else "overlap_mm"]
        return float(max(0.35 * tolerance, 0.1 * np.hypot(*mean)))

    def centre_before(self, belief: Belief, station: str) -> list[Step]:
        """Moves that centre the mark on a mirror upstream where the beam is near the edge; else none."""
        head = self.five[self.nearest]
        for k, before in enumerate(["mirror-1", "mirror-2", "mirror-3"]):
            if before == station:
                break
            if np.hypot(*belief.expected(before, np.array(head))[0]) > 0.3 * self.layout.aperture_mm[k]:
                moves = self.planner.plan(belief, until=before)
                return [*moves, pulse(station, head)] if moves else []
        return []

    def search(self, station: str) -> list[Step]:
        """The search for a beam that misses the nearest card: the mirror before it is turned to the next
        place of a spiral, then a mark is made."""
        reach = 2.5 if station == "nozzle" else 30.0
        ring = square_spiral(25)
        step = (np.array(ring[(self.searched + 1) % 25]) - ring[self.searched % 25]) * reach
        self.searched += 1
        upstream = max(1, ["mirror-1", "mirror-2", "mirror-3", "nozzle"].index(station))
        head = np.array([self.near_x, self.layout.depth_mm])
        columns, names = [], [key for key in self.threads if key[0] == upstream][:2]
        for key in names:
            x = np.zeros(SIZE)
            x[self.planner.place(*key)] = 0.1
            columns.append(offsets(self.layout, unpack(x), head)[station] / 0.1)
        travel = np.linalg.solve(np.array(columns).T, step)
        turns = [self.planner.turn(*key, mm) for key, mm in zip(names, travel, strict=True)]
        return [t for t in turns if t] + [pulse(station, self.five[self.nearest])]

    # move

    def move(self, belief: Belief) -> Step | None:
        """The first of the moves worth making; None if there are none."""
        near = np.max(np.abs(self.planner.targets(belief.mean))) < WORTH_A_MOVE
        known = max(self.doubt(belief, *place) for place in self.places()) < KNOWN[self.reading]
        if (near and not known) or self.chance(belief) >= SURE[self.reading]:
            return None
        self.queue = self.planner.plan(belief)
        return self.queue.pop(0) if self.queue else None

    # end

    def chance(self, belief: Belief) -> float:
        """Probability that all is within tolerance at the corners and the middle."""
        allowed = self.profile["tolerance"]
        found = offsets(self.layout, unpack(belief.draw(200, self.rng)[:, None, :]), np.array(self.five))
        good = reaches(self.layout, found, "nozzle").all(axis=1)
        for k in (1, 2, 3):
            marks = found[f"mirror-{k}"]
            good &= np.hypot(*np.moveaxis(marks.mean(axis=1), -1, 0)) <= allowed["centre_mm"]
            apart = np.linalg.norm(marks[:, :, None] - marks[:, None], axis=-1).max(axis=(1, 2))
            good &= apart <= allowed["overlap_mm"]
        for place, limit in (("lens", "lens_mm"), ("nozzle", "nozzle_mm")):
            good &= np.linalg.norm(found[place], axis=-1).max(axis=1) <= allowed[limit]
        return float(good.mean())

    def confirm(self, belief: Belief, events: list[dict[str, Any]]) -> Step:
        """A mark at each of the five positions after the last move; then done, or the least known mark."""
        moved = [i for i, e in enumerate(events) if e["kind"] in ("turn", "shift")]
        since = events[moved[-1] + 1 if moved else 0 :]
        seen = [tuple(e["head_mm"]) for e in since if e["station"] == "mirror-3"]
        for head in self.five:
            if head not in seen:
                return pulse("mirror-3", head)
        if self.chance(belief) >= SURE[self.reading] or len(since) > 35:
            return {"do": "done", "say": "done"}
        return pulse(*max(self.places(), key=lambda place: self.doubt(belief, *place)))

    def places(self) -> list[tuple[str, tuple[float, float]]]:
        along = [(station, heads[0]) for station, heads in self.chain()]
        return [*along, *(("mirror-3", head) for head in self.five)]

    def doubt(self, belief: Belief, station: str, head: tuple[float, float]) -> float:
        tolerance = self.profile["tolerance"]["nozzle_mm" if station == "nozzle" else "overlap_mm"]
        return float(np.max(belief.expected(station, np.array(head))[1])) / tolerance


def pulse(station: str, head: tuple[float, float]) -> Step:
    return {"do": "mark", "station": station, "head_mm": [float(a) for a in head], "say": "pulse"}


def square_spiral(count: int) -> list[tuple[int, int]]:
    """Grid points in a spiral from the middle, each one step from the last."""
    points, (x, y), (dx, dy), run = [(0, 0)], (0, 0), (1, 0), 1
    while len(points) < count:
        for _ in range(2):
            for _ in range(run):
                x, y = x + dx, y + dy
                points.append((x, y))
            dx, dy = -dy, dx
        run += 1
    return points[:count]
