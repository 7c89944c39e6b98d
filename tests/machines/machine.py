"""The laser as one object: fires pulses, obeys steps with a person's inaccuracy, and knows the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tests.machines.faults import Fault
from tests.machines.hands import Screw, hand_move_mm, hand_turns
from tests.machines.optics import STATIONS, Array, Carried, Layout, Misalignment, offsets, reaches

HEAD_ERROR_MM = 0.5
SHIFT_PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")


@dataclass(frozen=True)
class Truth:
    """The true state over 9 x 9 head positions, by the profile's tolerances; excess is the worst ratio to
    its tolerance.
    """

    overlap_mm: dict[str, float]
    centre_mm: dict[str, float]
    lens_mm: float
    nozzle_mm: float
    excess: float
    worst: str

    def aligned(self, factor: float = 1.0) -> bool:
        return self.excess <= factor


@dataclass
class Machine:
    """profile is what the ruler said; layout, screws, state and fault are how it is. rng moves hands and
    noise.
    """

    profile: dict[str, Any]
    layout: Layout
    state: Misalignment
    screws: dict[tuple[int, str], Screw]
    fault: Fault | None
    sigma_mm: float
    rng: np.random.Generator
    events: list[dict[str, Any]] = field(default_factory=list)
    history: list[Fault] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        return {"machine": self.profile, "events": list(self.events)}

    def now(self) -> Misalignment:
        """The state with all screws where they are."""
        state = self.state.copy()
        for (mirror, name), screw in self.screws.items():
            state.contact_mm[mirror - 1, self.contact_number(mirror, name)] += screw.travel_mm
        return state

    def contact_number(self, mirror: int, name: str) -> int:
        mount = next(m for m in self.profile["mount"] if m["mirror"] == mirror)
        return [c["name"] for c in mount["contact"]].index(name)

    def carried(self, head_mm: Array) -> Carried | None:
        return self.fault.carried(self.layout, head_mm) if self.fault else None

    def true_offsets(self, head_mm: ArrayLike) -> dict[str, Array]:
        """Offsets (…, 2) at each station and the lens, without looseness, noise or head error."""
        head = np.asarray(head_mm, float)
        return offsets(self.layout, self.now(), head, self.carried(head))

    def pulse(self, station: str, head_mm: Sequence[float] | Array) -> dict[str, Any]:
        """Fire once at a fresh card and read it: a 'mark' or a 'no-mark' event, also kept in events."""
        asked = [float(a) for a in head_mm]
        self._refuse_outside_bed(asked)
        true_head = np.array(asked) + self.rng.uniform(-HEAD_ERROR_MM, HEAD_ERROR_MM, 2)
        state = self.now()
        if self.fault:
            state.contact_mm[...] += self.fault.scatter_mm(self.layout, self.rng)
        found = offsets(self.layout, state, true_head, self.carried(true_head))
        noise = self.rng.normal(0, self.sigma_mm, 2)
        if not reaches(self.layout, found, station):
            return self._keep({"kind": "no-mark", "station": station, "head_mm": asked})
        read = [float(a) for a in found[station] + noise]
        return self._keep(
            {
                "kind": "mark",
                "station": station,
                "head_mm": asked,
                "offset_mm": read,
                "sigma_mm": self.sigma_mm,
            }
        )

    def turn(self, mirror: int, screw: str, turns: float) -> dict[str, Any]:
        if not 0 < abs(turns) <= 20:
            raise ValueError(f"a step asked for {turns} turns")
        self.screws[mirror, screw].turn(hand_turns(turns, self.rng))
        return self._keep({"kind": "turn", "mount": mirror, "screw": screw, "turns": float(turns)})

    def shift(self, part: str, move_mm: list[float]) -> dict[str, Any]:
        asked = np.array(move_mm, float)
        if part not in SHIFT_PARTS or asked.shape != (3,) or np.max(np.abs(asked)) > 60:
            raise ValueError(f"a step asked to shift {part} by {move_mm}")
        if part.startswith("tube"):
            if asked[0] != 0:
                raise ValueError("the tube moves in Y and Z only")
            for end in {"tube": (0, 1), "tube-exit": (0,), "tube-far": (1,)}[part]:
                self.state.tube_mm[end] += hand_move_mm(asked[1:], self.rng)
        else:
            self.state.shift_mm[int(part[-1]) - 1] += hand_move_mm(asked, self.rng)
        return self._keep({"kind": "shift", "part": part, "move_mm": [float(a) for a in asked]})

    def inspect(self, cause: str) -> dict[str, Any]:
        """A person looks there: the fault that is there is found, and repaired if that can be done."""
        outcome = "nothing-found"
        if self.fault and self.fault not in self.history and self.fault.cause == cause:
            outcome = "fixed" if self.fault.curable else "not-fixed"
        if outcome == "fixed":
            assert self.fault is not None
            self.state.contact_mm[...] += self.fault.scatter_mm(self.layout, self.rng)
            self.fault = self.fault.cured(self.rng)
            self.history.append(self.fault)
        return self._keep({"kind": "inspected", "cause": cause, "outcome": outcome})

    def obey(self, step: dict[str, Any]) -> dict[str, Any] | None:
        """Do what a step's JSON says; the event that comes of it, None after 'done' and 'stop'."""
        if step["do"] == "mark":
            return self.pulse(step["station"], step["head_mm"])
        if step["do"] == "turn":
            return self.turn(step["mount"], step["screw"], step["turns"])
        if step["do"] == "shift":
            return self.shift(step["part"], step["move_mm"])
        if step["do"] == "inspect":
            return self.inspect(step["cause"])
        if step["do"] in ("done", "stop"):
            return None
        raise ValueError(f"no such step: {step['do']!r}")

    def truth(self) -> Truth:
        """How well it is aligned, over 9 x 9 head positions."""
        x, y = np.meshgrid(np.linspace(0, self.layout.width_mm, 9), np.linspace(0, self.layout.depth_mm, 9))
        found = self.true_offsets(np.stack([x.ravel(), y.ravel()], axis=-1))
        overlap = {s: _largest_distance(found[s]) for s in ("mirror-2", "mirror-3")}
        centre = {s: float(np.hypot(*found[s].mean(axis=0))) for s in STATIONS[:3]}
        lens, nozzle = (float(np.max(np.hypot(*found[s].T))) for s in ("lens", "nozzle"))
        allowed = self.profile["tolerance"]
        ratios = {f"overlap {s}": overlap[s] / allowed["overlap_mm"] for s in overlap}
        ratios |= {f"centre {s}": centre[s] / allowed["centre_mm"] for s in centre}
        ratios |= {"lens": lens / allowed["lens_mm"], "nozzle": nozzle / allowed["nozzle_mm"]}
        if not reaches(self.layout, found, "nozzle").all():
            ratios["blocked"] = np.inf
        if self.fault and self.fault.cause == "loose-mount" and self.fault.size:
            ratios["loose mount"] = np.inf
        worst = max(ratios, key=lambda name: ratios[name])
        return Truth(overlap, centre, lens, nozzle, float(ratios[worst]), worst)

    @property
    def faulty(self) -> bool:
        """A fault is there now, uncured."""
        return self.fault is not None and self.fault not in self.history

    def _keep(self, event: dict[str, Any]) -> dict[str, Any]:
        self.events.append(event)
        return event

    def _refuse_outside_bed(self, head_mm: list[float]) -> None:
        x, y = head_mm
        if not (0 <= x <= self.layout.width_mm and 0 <= y <= self.layout.depth_mm):
            raise ValueError(f"a step asked for the head at {head_mm}, outside the bed")


def _largest_distance(marks: Array) -> float:
    apart = marks[:, None, :] - marks[None, :, :]
    return float(np.sqrt(np.max(np.sum(apart**2, axis=-1))))
