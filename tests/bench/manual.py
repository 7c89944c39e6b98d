"""The manual procedure as a person does it with tape: common practice, no source.

Near, middle and far; one screw at a time; the far mark is moved to where the near mark is now (so the near
mark has moved when it gets there); the next turn is guessed in proportion to the effect of the last; then
five positions, then the nozzle. The person does not know which screw does what until it has been tried, knows
no aim point and names no fault.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import numpy as np

Step = dict[str, Any]
Talk = Generator[Step, dict[str, Any], Any]
Vector = np.ndarray
TRY_TURNS = 1 / 8
MOST_TURNS = 1.0
COINCIDE_MM = 1.0
CENTRED_MM = 1.5
NOZZLE_MM = 0.4
READS = 3.0  # marks nearer to each other than three times the eye's error count as one


class ManualProcedure:
    """A player: call it with the alignment document, get the next step."""

    def __init__(self, profile: dict[str, Any]) -> None:
        self._hand = _Hand(profile)
        self._talk = self._hand.whole_job()
        self._started = False

    def __call__(self, document: dict[str, Any]) -> Step:
        if not self._started:
            self._started = True
            return next(self._talk)
        return self._talk.send(document["events"][-1])


class _Hand:
    def __init__(self, profile: dict[str, Any]) -> None:
        self.width, self.depth = profile["bed"]["width_mm"], profile["bed"]["depth_mm"]
        self.left = profile["path"]["corner"] == "back-left"
        self.screws = {
            m["mirror"]: [c["name"] for c in m["contact"] if "screw_pitch_mm" in c][:2]
            for m in profile["mount"]
        }
        self.seen: dict[tuple[int, str], Vector] = {}
        self.coincide_mm = COINCIDE_MM

    # single actions of a person

    def mark(self, station: str, head: tuple[float, float]) -> Talk:
        event = yield {"do": "mark", "station": station, "head_mm": list(head), "say": "pulse"}
        if event["kind"] == "no-mark":
            return None
        self.coincide_mm = max(COINCIDE_MM, READS * event["sigma_mm"])
        return np.array(event["offset_mm"])

    def turn(self, mirror: int, screw: str, turns: float) -> Talk:
        yield {"do": "turn", "mount": mirror, "screw": screw, "turns": turns, "say": "turn"}

    def shift(self, part: str, move: Vector) -> Talk:
        yield {"do": "shift", "part": part, "move_mm": [float(a) for a in move], "say": "shift"}

    # the procedure

    def whole_job(self) -> Talk:
        yield from self.tube_onto_mirror_1()
        for _ in range(4):
            yield from self.leg(1)
            yield from self.mount_onto_beam(2)
            yield from self.leg(2)
            yield from self.mount_onto_beam(3)
            if (yield from self.five_positions()):
                break
        else:
            yield {"do": "stop", "reason": "the five marks do not come together", "say": "give up"}
        yield from self.nozzle()
        yield {"do": "done", "say": "done"}

    def tube_onto_mirror_1(self) -> Talk:
        for _ in range(6):
            seen = yield from self.mark("mirror-1", (0.0, self.depth))
            if seen is not None and np.hypot(*seen) < CENTRED_MM:
                return
            u, v = seen if seen is not None else (15.0, 0.0)
            yield from self.shift("tube", np.array([0.0, -u if self.left else u, -v]))

    def head(self, leg: int, along: float) -> tuple[float, float]:
        """The head's place for a mark at a fraction of the leg's travel, near (0) to far (1)."""
        if leg == 1:
            return (0.0 if self.left else self.width, self.depth * (1 - along))
        return (self.width * (along if self.left else 1 - along), self.depth)

    def leg(self, mirror: int) -> Talk:
        station = f"mirror-{mirror + 1}"
        for _ in range(12):
            near = yield from self.find_near(mirror, station)
            if near is None:
                return
            for along in (1.0, 0.5, 0.2):
                far = yield from self.mark(station, self.head(mirror, along))
                if far is not None:
                    break
            else:
                yield from self.lead(mirror, station, self.head(mirror, 0.0), np.zeros(2), near)
                continue
            if np.hypot(*(far - near)) < self.coincide_mm and along == 1.0:
                middle = yield from self.mark(station, self.head(mirror, 0.5))
                if middle is not None and np.hypot(*(middle - near)) < 1.5 * self.coincide_mm:
                    return
            yield from self.lead(mirror, station, self.head(mirror, along), near, far)

    def find_near(self, mirror: int, station: str) -> Talk:
        near = yield from self.mark(station, self.head(mirror, 0.0))
        for screw in self.screws[mirror] * 2:
            for half_turns in (1, -2, 3, -4, 5, -6, 7, -4):
                if near is not None:
                    return near
                yield from self.turn(mirror, screw, half_turns / 2)
                near = yield from self.mark(station, self.head(mirror, 0.0))
        return near

    def lead(self, mirror: int, station: str, head: tuple[float, float], aim: Vector, seen: Vector) -> Talk:
        """Turn one screw after the other until the mark at head is on the aim."""
        for _ in range(8):
            if seen is None or np.hypot(*(aim - seen)) < 0.75 * self.coincide_mm:
                return
            screw, turns = self.guess(mirror, head, aim - seen)
            yield from self.turn(mirror, screw, turns)
            before, seen = seen, (yield from self.mark(station, head))
            if seen is None:
                yield from self.turn(mirror, screw, -turns)
                return
            self.learn(mirror, screw, head, (seen - before) / turns)

    def guess(self, mirror: int, head: tuple[float, float], wanted: Vector) -> tuple[str, float]:
        for screw in self.screws[mirror]:
            if (mirror, screw) not in self.seen:
                return screw, TRY_TURNS
        arm = self.arm(mirror, head)
        does = {s: self.seen[mirror, s] * arm for s in self.screws[mirror]}
        screw = max(does, key=lambda s: abs(does[s] @ wanted) / max(float(np.hypot(*does[s])), 1e-9))
        turns = float(does[screw] @ wanted / max(float(does[screw] @ does[screw]), 1e-9))
        sixteenths = round(16 * float(np.clip(turns, -MOST_TURNS, MOST_TURNS))) or np.sign(turns) / 2 or 0.5
        return screw, float(sixteenths / 16)

    def learn(self, mirror: int, screw: str, head: tuple[float, float], per_turn: Vector) -> None:
        fresh, old = per_turn / self.arm(mirror, head), self.seen.get((mirror, screw))
        self.seen[mirror, screw] = fresh if old is None else 0.5 * (fresh + old)

    def arm(self, mirror: int, head: tuple[float, float]) -> float:
        """The mark's distance from the mirror, as a share: a person can judge that."""
        if mirror == 1:
            return 0.1 * self.depth + self.depth - head[1]
        if mirror == 2:
            return 0.1 * self.width + (head[0] if self.left else self.width - head[0])
        return 1.0

    def mount_onto_beam(self, mirror: int) -> Talk:
        """Move the mount to the beam, for a mark that stays in one place but is not in the middle."""
        for _ in range(3):
            seen = yield from self.mark(f"mirror-{mirror}", self.head(mirror - 1, 0.5))
            if seen is None or np.hypot(*seen) < CENTRED_MM:
                return
            u, v = seen
            sideways = np.array([-u, 0.0]) if mirror == 2 else np.array([0.0, -u if self.left else u])
            yield from self.shift(f"mirror-{mirror}", np.array([*sideways, v]))

    def five_positions(self) -> Talk:
        marks = []
        w, d = self.width, self.depth
        for head in ((0.0, d), (0.0, 0.0), (w / 2, d / 2), (w, d), (w, 0.0)):
            seen = yield from self.mark("mirror-3", head)
            if seen is None:
                return False
            marks.append(seen)
        return max(np.hypot(*(a - b)) for a in marks for b in marks) < 1.5 * self.coincide_mm

    def nozzle(self) -> Talk:
        head = (self.width / 2, self.depth / 2)
        seen = yield from self.mark("nozzle", head)
        for screw in self.screws[3] * 2:
            for half_turns in (1, -2, 3, -4, 5, -6, 7, -4):
                if seen is None:
                    yield from self.turn(3, screw, half_turns / 2)
                    seen = yield from self.mark("nozzle", head)
        for _ in range(20):
            if seen is None or np.hypot(*seen) < NOZZLE_MM:
                return
            screw, turns = self.guess(3, head, -seen)
            yield from self.turn(3, screw, turns)
            before, seen = seen, (yield from self.mark("nozzle", head))
            if seen is not None:
                self.learn(3, screw, head, (seen - before) / turns)
