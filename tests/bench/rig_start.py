"""Seconds from the start of the program to the first answer, the first frame and the first reading.

    .venv/bin/python -m tests.bench.rig_start --times 10

The pictures show a card with a mark; the reading is taken as a person does: cautions, hang, pulse. The result
is 'no new mark', since the mark was there before, which is the same work.
Aim: at most 4 s to the first reading. The last column is the processor time that all its processes had used
by then, to tell a slow program from a busy machine.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import urllib.error
from pathlib import Path

from tests.bench.rig_common import Program, film, percentile


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument("--port", type=int, default=8951)
    chosen = parser.parse_args()
    rows: list[tuple[float, ...]] = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        pictures = film(folder / "film", count=4)
        for index in range(2):
            (pictures / f"{index:03d}.jpg").write_bytes((pictures / "003.jpg").read_bytes())
        for index in range(chosen.times):
            rows.append(once(folder / f"data{index}", pictures, chosen.port))
    print("start to …        median s   worst s   cpu s")
    columns = [list(column) for column in zip(*rows, strict=True)]
    for name, wall, used in zip(
        ("page answers", "card in view", "first reading"), columns[:3], columns[3:], strict=True
    ):
        print(f"{name:<16}  {percentile(wall, 50):8.2f}   {max(wall):7.2f}   {percentile(used, 50):5.2f}")


def once(data: Path, pictures: Path, port: int) -> tuple[float, ...]:
    program = Program(data, "--camera", f"replay:{pictures}", port=port)
    try:
        answers_s = program.wait_ready()
        used_s = [program.cpu_s()]
        while program.get("/api/state")["picture"] is None:
            time.sleep(0.01)
        seen_s = time.monotonic() - program.began_s
        used_s.append(program.cpu_s())
        program.do("acknowledge")
        retry(program, "hang", program.get("/api/state")["primary"]["body"])
        assert program.get("/api/state")["now"] == "pulse"
        read_s = reading(program)
        used_s.append(program.cpu_s())
    finally:
        program.kill()
    return answers_s, seen_s, read_s, *used_s


def reading(program: Program) -> float:
    """Return when the program has read the card's marks and answered (no new mark: it says so)."""
    try:
        program.do("pulse")
    except urllib.error.HTTPError as refusal:
        assert refusal.code in (409, 422)
    return time.monotonic() - program.began_s


def retry(program: Program, action: str, body: dict[str, object]) -> None:
    for _ in range(100):
        try:
            program.do(action, body)
            return
        except urllib.error.HTTPError:
            time.sleep(0.05)


if __name__ == "__main__":
    main()
