"""Let a player align one machine until it says done, stops or reaches a limit; count the cost, and judge."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tests.machines import CAUSES, Machine

Step = dict[str, Any]
Player = Callable[[dict[str, Any]], Step]
MOST_PULSES = 150
MOST_STEPS = 400
# Minutes that a practised person needs for an action: our own guesses (common practice, no source).
PULSE_MIN, HANG_MIN, WALK_MIN, TURN_MIN, SHIFT_MIN, INSPECT_MIN, LENS_OUT_MIN = (
    0.5,
    1.0,
    0.3,
    0.7,
    8.0,
    10.0,
    4.0,
)


@dataclass
class Run:
    """One alignment.

    end: done, stop, cap or error; excess: the final true worst ratio to a tolerance; lean_mm: the cut's true
    lean; lens_error_mm: what the last verdict says of the lens less the truth, None where it says nothing.
    """

    pulses: int = 0
    moves: int = 0
    minutes: float = 0.0
    inspected: list[str] = field(default_factory=list)
    end: str = "cap"
    why: str = ""
    step_ms: list[float] = field(default_factory=list)
    excess: float = float("inf")
    worst: str = ""
    lean_mm: float = float("inf")
    lens_error_mm: float | None = None
    fault: str | None = None
    curable: bool = True

    @property
    def aligned(self) -> bool:
        """Whether the player said done, and the machine really is aligned."""
        return self.end == "done" and self.excess <= 1.0

    @property
    def said_done_wrongly(self) -> bool:
        return self.end == "done" and self.excess > 1.5

    @property
    def cause_found(self) -> bool:
        return self.fault in self.inspected

    @property
    def wrong_cause_first(self) -> bool:
        named = [cause for cause in self.inspected if cause in CAUSES]
        return self.fault is not None and bool(named) and named[0] != self.fault

    @property
    def false_alarm(self) -> bool:
        """Whether anything was inspected on a machine without a fault."""
        return self.fault is None and bool(self.inspected)


def play(
    machine: Machine,
    player: Player,
    *,
    most_pulses: int = MOST_PULSES,
    watch: Callable[[str], None] | None = None,
) -> Run:
    """Do what the player says until it ends; watch gets one line for each step (for --verbose)."""
    run = Run()
    if machine.fault:
        run.fault, run.curable = machine.fault.cause, machine.fault.curable
    step: Step = {}
    while run.pulses < most_pulses and len(run.step_ms) < MOST_STEPS:
        began = time.perf_counter()
        try:
            step = player(machine.document())
            run.step_ms.append(1e3 * (time.perf_counter() - began))
            event = machine.obey(step)
        except Exception as failure:  # noqa: BLE001 - a benchmark reports whatever breaks and goes on
            run.end, run.why = "error", f"{type(failure).__name__}: {failure}"
            break
        _count(run, machine, step)
        if watch:
            watch(_line(machine, run, step, event))
        if event is None:
            run.end, run.why = step["do"], step.get("reason", "")
            break
    truth = machine.truth()
    run.excess, run.worst, run.lean_mm = truth.excess, truth.worst, truth.lean_mm
    said = (step.get("verdict") or {}).get("lens_mm")
    run.lens_error_mm = None if said is None else said - truth.lens_mm
    if watch:
        watch(f"== {run.end} {run.why}; truth {truth}")
    return run


def _count(run: Run, machine: Machine, step: Step) -> None:
    run.pulses += step["do"] == "mark"
    run.moves += step["do"] in ("turn", "shift")
    run.minutes += _minutes(machine, step)
    if step["do"] == "inspect":
        run.inspected.append(step["cause"])


def _minutes(machine: Machine, step: Step) -> float:
    """Minutes of the last step: a pulse, and before it hanging the card at a station or moving the head."""
    if step["do"] != "mark":
        return {"turn": TURN_MIN, "shift": SHIFT_MIN, "inspect": INSPECT_MIN}.get(step["do"], 0.0)
    pulses = [e for e in machine.events if e["kind"] in ("mark", "no-mark")]
    before = pulses[-2] if len(pulses) > 1 else None
    here = before is not None and before["station"] == step["station"] and step.get("hang") != "anew"
    walked = before is not None and before["head_mm"] != list(step["head_mm"])
    lens = LENS_OUT_MIN if step["station"] == "below" and not here else 0.0
    return PULSE_MIN + lens + (WALK_MIN * walked if here else HANG_MIN + WALK_MIN * walked)


def _line(machine: Machine, run: Run, step: Step, event: dict[str, Any] | None) -> str:
    asked = {k: v for k, v in step.items() if k not in ("say", "expect", "estimate", "verdict", "why")}
    came = {k: v for k, v in (event or {}).items() if k in ("offset_mm", "outcome")}
    missed = "NO MARK" if event and event["kind"] == "no-mark" else ""
    truth = machine.truth()
    lines = [
        f"{len(run.step_ms):3d} p{run.pulses} m{run.moves} {asked} -> {came or missed}"
        f" [truth {truth.excess:.2f}x {truth.worst}]"
    ]
    if step.get("expect"):
        lines.append(f"expect {step['expect']} {_truly(machine, step['expect'])}")
    lines += [f"{key}: {step[key]}" for key in ("say", "why") if step.get(key)]
    return "\n      ".join(lines)


def _truly(machine: Machine, expect: dict[str, Any]) -> str:
    true = machine.true_offsets(expect["head_mm"])[expect["station"]]
    return f"truly [{true[0]:.2f}, {true[1]:.2f}]"
