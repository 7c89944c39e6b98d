"""Measure every figure for which vision has a target, by the other benches, beside general methods.

    python tests/bench/vision_table.py [--scenes N] [--seed N] [--only NAME;NAME]

Each row prints the measured figures and those of the general methods in the same run, then each target and
whether it is met. With N scenes a share is known to about 1/N. The row `outside, coarse edge` needs
scikit-image.
"""

from __future__ import annotations

import argparse
import operator
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import vision_live
import vision_speed
from vision_hand import Figures, line, measured, spread

Target = tuple[str, str, float]  # the figure's name, <= or >=, the bound
HONEST: list[Target] = [("within 2s", ">=", 0.90), ("within 2s", "<=", 0.98)]
COMPARE = {"<=": operator.le, ">=": operator.ge}


@dataclass(frozen=True)
class Row:
    """A name, its targets, and what measures it (scenes, seed); None: `vision_hand`'s row of that name."""

    name: str
    targets: list[Target]
    measure: Callable[[int, int], Figures] | None = None

    def printed(self, count: int, seed: int) -> str:
        """The row, measured."""
        got = self.measure(count, seed) if self.measure else measured(self.name, count, seed)
        lines = [f"{self.name:22s} {line(got)}"]
        for name, sign, bound in self.targets:
            met = name in got and COMPARE[sign](got[name], bound)
            lines.append(f"{'':22s}   {name} {sign} {bound:g}: {'met' if met else 'MISSED'}")
        return "\n".join(lines)


def live(offset_mm: float, least: float) -> Row:
    """A row of `vision_live.py`."""
    return Row(
        f"live {offset_mm:g} mm",
        [("noticed", ">=", least), ("alarms", "<=", 0.02), *HONEST],
        lambda count, seed: vision_live.live_figures(offset_mm, count, seed),
    )


def outside(count: int, seed: int) -> Figures:
    """The figures of the row `coarse edge` of `vision_outside.py`."""
    import vision_outside  # takes scikit-image

    errors, sigmas = vision_outside.errors_of(vision_outside.ROWS["coarse edge"], count, seed)
    return {"found": len(errors) / count, **spread(list(errors), list(sigmas))}


def speed(count: int, seed: int) -> Figures:
    """Readings a second of processor time of the live stream."""
    return {"a second": 1 / vision_speed.watch(max(count, 40))[1][0]}


def rarely_false(most: float) -> list[Target]:
    """Targets: at most so many false marks per picture, in pictures with a mark and in blank ones."""
    return [("false", "<=", most), ("false, blank", "<=", most), *HONEST]


ROWS = [
    Row("hand workshop", [("new", "<=", 0.01), ("right", ">=", 0.98), *HONEST]),
    Row("hand harsh", [("new", "<=", 0.04), ("right", ">=", 0.92), *HONEST]),
    Row("hand toned", [("new", "<=", 0.04), ("right", ">=", 0.92), *HONEST]),
    Row(
        "on top",
        [
            ("right", ">=", 0.95),
            ("median", "<=", 0.08),
            ("95 %", "<=", 0.30),
            ("sigma", "<=", 0.12),
            ("within 2s", ">=", 0.93),
            ("within 2s", "<=", 0.97),
        ],
    ),
    Row("fresh tape", [("right", ">=", 0.99), ("median", "<=", 0.03), *HONEST]),
    live(0.0, 0.95),
    live(0.15, 0.97),
    live(0.3, 0.99),
    Row("third aligned", [("median", "<=", 0.10), ("90 %", "<=", 0.30), *HONEST]),
    Row("bent 300", [("median", "<=", 0.08), *HONEST]),
    Row("bent 100", [("median", "<=", 0.25), *HONEST]),
    Row("blurred 6 px", [("found", ">=", 0.98), *HONEST]),
    Row("smeared 8 px", [("found", ">=", 0.95), *HONEST]),
    Row("pale print", [("found", ">=", 0.80), *HONEST]),
    Row("streaked print", HONEST),
    Row("easy", rarely_false(0.02)),
    Row("workshop", rarely_false(0.05)),
    Row("JPEG 50", rarely_false(0.05)),
    Row("JPEG 30", rarely_false(0.2)),
    Row("beside a lamp", HONEST),
    Row("one-sided halo", [("median", "<=", 0.15), *HONEST]),
    Row("two lobes", [("median", "<=", 0.10), *HONEST]),
    Row("four lobes", [("median", "<=", 0.10), *HONEST]),
    Row("two lobes, pair", [("right", ">=", 0.95), ("median", "<=", 0.10), *HONEST]),
    Row("four lobes, pair", [("right", ">=", 0.95), ("median", "<=", 0.10), *HONEST]),
    Row("outside, coarse edge", [("within 2s", ">=", 0.88)], outside),
    Row("speed", [("a second", ">=", 60.0)], speed),
]


def main() -> None:
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenes", type=int, default=40)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--only", default="")
    arguments = parser.parse_args()
    for row in ROWS:
        if not arguments.only or row.name in arguments.only.split(";"):
            print(row.printed(arguments.scenes, arguments.seed), flush=True)


if __name__ == "__main__":
    main()
