"""Long work reports its progress: often enough for a bar, not for each of a million rows."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.log import Log, PictureRule, add_entry, check, import_folder
from server.log._progress import with_progress


@pytest.mark.parametrize("count", [0, 1, 3, 499, 500, 1000, 1001, 1234])
def test_the_items_come_as_they_are_and_the_last_is_told(count: int) -> None:
    said: list[tuple[str, int, int]] = []
    items = with_progress(range(count), "rows", count, lambda *words: said.append(words))
    assert list(items) == [*range(count)]
    step = max(1, count // 500)
    places = [place for place in range(1, count + 1) if place % step == 0 or place == count]
    assert said == [("rows", place, count) for place in places]
    assert len(said) < 700


def test_all_that_is_checked_copied_and_taken_in_is_counted(tmp_path: Path) -> None:
    jpeg = b"\xff\xd8\xff picture"
    with Log(tmp_path / "log") as log:
        for events in (2, 3):
            number = log.start_alignment(machine={"name": "one"}, source="camera")
            for n in range(events):
                log.add_event(number, {"kind": "mark"}, picture=jpeg + bytes([events, n]))
        add_entry(log, "hours", {"laser": "one", "hours": 1.0})
        log.set_picture_rule(PictureRule(keep_alignments=2))
    said: dict[str, list[tuple[int, int]]] = {}

    def tell(what: str, done: int, of: int) -> None:
        said.setdefault(what, []).append((done, of))

    assert check(tmp_path / "log", tell=tell).problems == ()
    # three checksums of each alignment, two lines for each event, one for each entry and setting
    rows = 3 * 2 + 2 * 5 + 1 + 1
    settings = len(said["rows"]) - rows
    assert settings in (0, 1)  # what the rule has seen is a setting too
    assert said["rows"] == [(n, rows + settings) for n in range(1, rows + settings + 1)]
    assert said["pictures"] == [(n, 5) for n in range(1, 6)]
    said.clear()
    with Log(tmp_path / "other") as other:
        import_folder(other, tmp_path / "log", tell=tell)
    assert said["alignments looked at"] == [(1, 0), (2, 0)]
    counted = [done for done, _ in said["rows"]]
    assert counted == sorted(counted) and said["rows"][-1] == (8, 8)  # alignments, events and entries
