"""Kill the writer at any moment: everything acknowledged is there, in order, and nothing is half written."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest

from server.log import Log, check

_WRITER = """
    import sys
    from pathlib import Path
    from server.log import Log
    log = Log(Path(sys.argv[1]))
    number = log.start_alignment(machine={"name": "one"}, source="camera")
    for turns in range(1, 1_000_000):
        picture = b"\\xff\\xd8\\xff" + turns.to_bytes(4, "big") * 2000 if turns % 3 == 0 else None
        log.add_event(number, {"kind": "turn", "turns": turns}, picture=picture, state={"turns": turns})
        sys.stdout.write(f"{turns}\\n")
        sys.stdout.flush()
"""


@pytest.mark.parametrize("seed", range(8))
def test_killed_writer_loses_nothing_it_acknowledged(tmp_path: Path, seed: int) -> None:
    command = [sys.executable, "-c", textwrap.dedent(_WRITER), str(tmp_path)]
    root = Path(__file__).parents[2]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=root) as writer:
        assert writer.stdout is not None
        heard = [writer.stdout.readline()]
        time.sleep(np.random.default_rng(seed).uniform(0, 0.15))
        writer.kill()
        heard += writer.stdout.readlines()
    acknowledged = [int(line) for line in heard if line.endswith("\n")]
    assert acknowledged and acknowledged == list(range(1, len(acknowledged) + 1))

    assert check(tmp_path).problems == ()
    with Log(tmp_path) as log:
        kept = [event["turns"] for event in log.document(1)["events"]]
        # one more may have reached the disk than there was time to say so
        assert kept in (acknowledged, [*acknowledged, len(acknowledged) + 1])
        assert log.state(1) == {"turns": len(kept)}
        for row in log.events(1):
            assert (
                (log.picture(row["id"]) is not None) == row["has_picture"] == (row["event"]["turns"] % 3 == 0)
            )
