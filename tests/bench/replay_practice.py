"""Practice alignments recorded to their end and replayed: how many give the same events.

.venv/bin/python tests/bench/replay_practice.py [--alignments 20] [--first 1]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from server.rig.replay import replay
from tests.session.practice_recording import record_practice


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--alignments", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    given = parser.parse_args()
    same = 0
    print("seed  events  differ")
    for seed in range(given.first, given.first + given.alignments):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            events = record_practice(folder, seed, actions=120)
            result = replay(folder / "recording", folder / "again")
        differ = len(result.differences()) + (result.recorded != events)
        same += not differ
        print(f"{seed:4d}  {len(events):6d}  {differ:6d}", flush=True)
    print(f"the same: {same} of {given.alignments}")


if __name__ == "__main__":
    main()
