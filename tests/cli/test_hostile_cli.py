"""Files that are not what they claim, and impossible arguments: each is answered in one line.

A sample; tests/bench/hostile_cli.py tries all of them.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from server.cli.main import main
from tests.bench.hostile_cli import cases, fault, run


def test_every_fourth_hostile_case_is_answered_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "all").mkdir()
    wrong = {}
    for name, words, given in islice(cases(tmp_path / "all"), 0, None, 4):
        if (said := fault(words, given)[0]) != "":
            wrong[name] = said
    assert wrong == {}


@pytest.mark.parametrize("kind", ["above", "link"])
def test_a_recording_reads_nothing_outside_its_folder(tmp_path: Path, kind: str) -> None:
    import json

    import cv2
    import numpy as np

    from server.practice import default_profile
    from server.solver import profile_as_json

    folder = tmp_path / "recording"
    folder.mkdir()
    cv2.imwrite(str(tmp_path / "outside.jpg"), np.full((48, 64, 3), 200, np.uint8))
    (folder / "link.jpg").symlink_to(tmp_path / "outside.jpg")
    name = "../outside.jpg" if kind == "above" else "link.jpg"
    rows = [
        {"did": {"kind": "begin", "machine": profile_as_json(default_profile())}},
        {"picture": name, "time_s": 0.0, "number": 0},
        {"picture": name, "time_s": 1.0, "number": 1},
    ]
    (folder / "recording.jsonl").write_text("\n".join(map(json.dumps, rows)))
    status, said = run(["replay", str(folder)])
    assert status == 2
    assert "picture" in said or "leads out" in said


def test_a_zero_byte_is_refused(capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["read", "a\0b"]) == 2
    assert capfd.readouterr().err.count("\n") == 1
