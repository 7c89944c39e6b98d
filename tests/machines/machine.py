"""The laser as one object: fires pulses, obeys steps with a person's inaccuracy, and knows the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tests.machines.disturbances import KNOCKED_MM, Disturbance
from tests.machines.faults import Fault
from tests.machines.hands import Screw, hand_move_mm, hand_turns
from tests.machines.optics import STATIONS, Array, Carried, Layout, Misalignment, offsets, reaches

HEAD_ERROR_MM = 0.5
SHEET_MM = 6.0
SHIFT_PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")


@dataclass(frozen=True)
class Truth:
    """The true state over 9 x 9 head positions.

    excess: the worst ratio of a number to its tolerance; lean_mm: how far a cut leans in a sheet of SHEET_MM
    at the worst position (thin lens, Hecht, Optics, ch. 6.2).
    """

    overlap_mm: dict[str, float]
    centre_mm: dict[str, float]
    lens_mm: float
    nozzle_mm: float
    excess: float
    worst: str
    lean_mm: float

    def aligned(self, factor: float = 1.0) -> bool:
        return self.excess <= factor


@dataclass
class Machine:
    """profile is as measured; layout, screws, state and fault are the truth. rng draws hands and noise."""

    profile: dict[str, Any]
    layout: Layout
    state: Misalignment
    screws: dict[tuple[int, str], Screw]
    fault: Fault | None
    sigma_mm: float
    rng: np.random.Generator
    events: list[dict[str, Any]] = field(default_factory=list)
    history: list[Fault] = field(default_factory=list)
    disturbed: Disturbance = field(default_factory=Disturbance)
    chance: np.random.Generator = field(default_factory=lambda: np.random.default_rng(99))
    true_profile: dict[str, Any] = field(default_factory=dict)
    dead: tuple[int, str] | None = None  # the screw that moves nothing
    bow: Fault | None = None  # too small to be found
    hung: Array = field(default_factory=lambda: np.zeros(3))
    hangings: int = 0
    slipped: list[str] = field(default_factory=list)
    last_mark: tuple[int, list[float], Array] | None = None

    def document(self) -> dict[str, Any]:
        return {"machine": self.profile, "events": list(self.events)}

    def now(self) -> Misalignment:
        """The state with all screws where they are now."""
        state = self.state.copy()
        for (mirror, name), screw in self.screws.items():
            state.contact_mm[mirror - 1, self.contact_number(mirror, name)] += screw.travel_mm
        return state

    def contact_number(self, mirror: int, name: str) -> int:
        mount = next(m for m in self.profile["mount"] if m["mirror"] == mirror)
        return [c["name"] for c in mount["contact"]].index(name)

    def carried(self, head_mm: Array) -> Carried | None:
        carried = self.fault.carried(self.layout, head_mm) if self.fault else None
        return carried if carried or not self.bow else self.bow.carried(self.layout, head_mm)

    def true_offsets(self, head_mm: ArrayLike) -> dict[str, Array]:
        """Offsets (…, 2) at each station and the lens, without looseness, noise or head error."""
        head = np.asarray(head_mm, float)
        return offsets(self.layout, self.now(), head, self.carried(head))

    def pulse(self, station: str, head_mm: Sequence[float] | Array, **asked_for: Any) -> dict[str, Any]:
        """Fire once and read the mark: returns a 'mark' or 'no-mark' event, which is also kept in events.

        The card is hung again if it was at another station, or if ``hang`` is 'anew'.
        """
        asked = [float(a) for a in head_mm]
        self._refuse_outside_bed(asked)
        event: dict[str, Any] = {"station": station, "head_mm": asked}
        if station == "below":
            self.layout.below_mm = float(asked_for["below_mm"])
            event |= {"below_mm": self.layout.below_mm, "lens": "out"}
        self._hang(station, anew=asked_for.get("hang") == "anew")
        event["hanging"] = self.hangings  # as the page numbers them
        true_head = np.array(asked) + self.rng.uniform(-HEAD_ERROR_MM, HEAD_ERROR_MM, 2)
        found = offsets(self.layout, self._at_pulse(), true_head, self.carried(true_head))
        noise = self.disturbed.sigma_factor * self.rng.normal(0, self.sigma_mm, 2)
        if not reaches(self.layout, found, station) or self._slips("no pulse"):
            return self._keep({"kind": "no-mark", **event})
        place = found[station] + self._beside(station)
        read = self._as_read(place) + noise
        if self._slips("misread"):
            read = read + self.chance.uniform(-KNOCKED_MM, KNOCKED_MM, 2)
        event |= {"offset_mm": [float(a) for a in read], "sigma_mm": self.sigma_mm}
        mark = self._keep({"kind": "mark", **event})
        self._compare(mark, place)
        return mark

    def _hang(self, station: str, *, anew: bool) -> None:
        pulses = [e for e in self.events if e["kind"] in ("mark", "no-mark")]
        if anew or not pulses or pulses[-1]["station"] != station:
            self.hangings += 1
            self.hung = self.disturbed.hung(station, self.chance)

    def _at_pulse(self) -> Misalignment:
        """The state at this pulse, with the displacement of a loose mount and the jitter of the beam."""
        state = self.now()
        if self.fault:
            state.contact_mm[...] += self.fault.scatter_mm(self.layout, self.rng)
        gap = self.layout.tube_back_mm[1] - self.layout.tube_back_mm[0]
        state.tube_mm[1] += gap * self.chance.normal(0, 1e-3 * self.disturbed.jitter_mrad, 2)
        return state

    def _beside(self, station: str) -> Array:
        """(2,) how far the mark on the tape is off the beam's axis."""
        off = self.chance.normal(0, self.disturbed.tape_mm, 2)
        if self.chance.random() < self.disturbed.mode_share:
            way = self.chance.uniform(0, 2 * np.pi)
            size = self.disturbed.mode_part * self.profile["beam"]["diameter_mm"]
            size *= 0.1 if station == "nozzle" else 1.0  # near the focus the beam is small
            off = off + size * np.array([np.cos(way), np.sin(way)])
        return np.asarray(off)

    def _as_read(self, place: Array) -> Array:
        """A place on the card as it is read with the error of the hanging."""
        u, v, roll = self.hung
        return np.array([u, v]) + place + roll * np.array([-place[1], place[0]])

    def _compare(self, mark: dict[str, Any], place: Array) -> None:
        """Also report a further mark on one tape as a difference from the one before it, as read by eye."""
        sd, before = self.disturbed.eye_differences, self.last_mark
        self.last_mark = (self.hangings, mark["head_mm"], place)
        if not sd or before is None or before[0] != self.hangings:
            return
        apart = self._as_read(place) - self._as_read(before[2]) + self.chance.normal(0, sd, 2)
        self._keep(
            {"kind": "difference", "station": mark["station"], "from_head_mm": before[1],
             "head_mm": mark["head_mm"], "offset_mm": [float(a) for a in apart], "sigma_mm": sd}
        )  # fmt: skip

    def _slips(self, kind: str) -> bool:
        slips = bool(self.chance.random() < self.disturbed.slips)
        if slips:
            self.slipped.append(kind)
        return slips

    def turn(self, mirror: int, screw: str, turns: float) -> dict[str, Any]:
        if not 0 < abs(turns) <= 20:
            raise ValueError(f"a step asked for {turns} turns")
        done, by, self.last_mark = (mirror, screw), hand_turns(turns, self.rng), None
        if self._slips("wrong screw"):
            done = next(key for key in self.screws if key[0] == mirror and key != done)
        by = -by if self._slips("wrong way") else by
        if done != self.dead and not self._slips("not turned"):
            self.screws[done].turn(by)
            tilt = self.chance.normal(0, 1e-3 * self.disturbed.locknut_mrad, 2)
            self.state.contact_mm[mirror - 1] += self.layout.at_mm[mirror - 1] @ tilt
        return self._keep({"kind": "turn", "mount": mirror, "screw": screw, "turns": float(turns)})

    def shift(self, part: str, move_mm: list[float]) -> dict[str, Any]:
        asked, self.last_mark = np.array(move_mm, float), None
        if part not in SHIFT_PARTS or asked.shape != (3,) or np.max(np.abs(asked)) > 60:
            raise ValueError(f"a step asked to shift {part} by {move_mm}")
        if part.startswith("tube"):
            if asked[0] != 0:
                raise ValueError("the tube moves in Y and Z only")
            for end in {"tube": (0, 1), "tube-exit": (0,), "tube-far": (1,)}[part]:
                self.state.tube_mm[end] += hand_move_mm(asked[1:], self.rng)
        elif self.disturbed.bases == "free":
            self.state.shift_mm[int(part[-1]) - 1] += hand_move_mm(asked, self.rng)
        return self._keep({"kind": "shift", "part": part, "move_mm": [float(a) for a in asked]})

    def inspect(self, cause: str) -> dict[str, Any]:
        """A person inspects a cause: finds the fault if it is there, and repairs it if that is possible."""
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
        """Do what a step's JSON says; returns the event, None after 'done' and 'stop'."""
        if step["do"] == "mark":
            extra = {key: step[key] for key in ("below_mm", "hang") if key in step}
            return self.pulse(step["station"], step["head_mm"], **extra)
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
        """How well the machine is aligned, over 9 x 9 head positions."""
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
        lean = (found["nozzle"] - found["lens"] - self.layout.lens_off_mm) / self.layout.tip_mm
        lean_mm = SHEET_MM * float(np.max(np.hypot(*lean.T)))
        return Truth(overlap, centre, lens, nozzle, float(ratios[worst]), worst, lean_mm)

    @property
    def faulty(self) -> bool:
        """Whether there is an uncured fault."""
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
