"""Pictures are deleted only by the user's rule; readings are never deleted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from server.log import BadEntry, Log, PictureRule, Pruned, check, import_folder
from server.log._pictures import PictureFolder
from server.log._prune import look_anew

MACHINE = {"name": "one"}
MARK = {"kind": "mark", "station": "nozzle", "head_mm": [0, 0], "offset_mm": [1, 2], "sigma_mm": 0.1}
SIZE = 1000


def picture(number: int) -> bytes:
    return b"\xff\xd8\xff" + number.to_bytes(4, "big") + bytes(SIZE - 7)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    """Four alignments with two pictures each."""
    with Log(tmp_path) as opened:
        for alignment in range(4):
            number = opened.start_alignment(machine=MACHINE, source="camera")
            for event in range(2):
                opened.add_event(number, MARK, picture=picture(10 * alignment + event))
        yield opened


def held(log: Log) -> list[int]:
    """How many pictures each alignment has, oldest first."""
    assert check(log.folder).problems == ()
    return [sum(row["has_picture"] for row in log.events(a["id"])) for a in log.alignments()]


def files(log: Log) -> int:
    return len(list(log.pictures.names()))


def test_without_a_rule_nothing_goes(log: Log) -> None:
    assert log.picture_rule() == PictureRule()
    assert log.prune() == Pruned()
    assert held(log) == [2, 2, 2, 2]


@pytest.mark.parametrize(
    ("rule", "left"),
    [
        (PictureRule(keep_alignments=1), [0, 0, 0, 2]),
        (PictureRule(keep_alignments=3), [0, 2, 2, 2]),
        (PictureRule(keep_alignments=9), [2, 2, 2, 2]),
        (PictureRule(keep_gb=5 * SIZE / 1e9), [0, 1, 2, 2]),
        (PictureRule(keep_gb=0), [0, 0, 0, 2]),
        (PictureRule(keep_alignments=2, keep_gb=3 * SIZE / 1e9), [0, 0, 1, 2]),
    ],
)
def test_rule_keeps_the_newest(log: Log, rule: PictureRule, left: list[int]) -> None:
    log.set_picture_rule(rule)
    gone = log.prune()
    assert held(log) == left
    assert gone == Pruned(8 - sum(left), (8 - sum(left)) * SIZE)
    assert files(log) == sum(left)
    assert [len(log.events(a["id"])) for a in log.alignments()] == [2, 2, 2, 2]
    assert log.prune() == Pruned()


def test_rule_is_applied_when_an_alignment_begins(log: Log) -> None:
    log.set_picture_rule(PictureRule(keep_alignments=2))
    assert held(log) == [2, 2, 2, 2]
    log.start_alignment(machine=MACHINE, source="camera")
    assert held(log) == [0, 0, 0, 2, 0]
    assert files(log) == 2


def test_an_alignment_begins_without_a_look_at_every_picture(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    log.set_picture_rule(PictureRule(keep_alignments=100, keep_gb=1.0))
    log.start_alignment(machine=MACHINE, source="camera")
    looked: list[str] = []
    size = PictureFolder.size

    def look(folder: PictureFolder, name: str) -> int:
        looked.append(name)
        return size(folder, name)

    monkeypatch.setattr(PictureFolder, "size", look)
    number = log.start_alignment(machine=MACHINE, source="camera")
    assert looked == []
    log.add_event(number, MARK, picture=picture(77))
    log.start_alignment(machine=MACHINE, source="camera")
    assert len(looked) == 1


@pytest.mark.parametrize("seed", range(3))
def test_looking_only_at_what_is_new_drops_the_same(tmp_path: Path, seed: int) -> None:
    """Compared with a log that looks at everything each time."""
    rng = np.random.default_rng(seed)
    rule = PictureRule(keep_alignments=int(rng.integers(2, 6)), keep_gb=int(rng.integers(3, 9)) * SIZE / 1e9)
    with Log(tmp_path / "a") as quick, Log(tmp_path / "b") as thorough:
        for log in (quick, thorough):
            log.set_picture_rule(rule)
        for content in range(10):
            with thorough.writing() as db:
                look_anew(db)
            for log in (quick, thorough):
                number = log.start_alignment(machine=MACHINE, source="camera")
                for event in range(content % 3):
                    log.add_event(number, MARK, picture=picture(100 * content + event))
            assert held(quick) == held(thorough)


def test_pictures_that_come_by_import_count_at_once(log: Log, tmp_path: Path) -> None:
    with Log(tmp_path / "other") as other:
        other.set_picture_rule(PictureRule(keep_gb=4 * SIZE / 1e9))
        other.start_alignment(machine=MACHINE, source="camera")
        import_folder(other, log.folder)
        other.start_alignment(machine=MACHINE, source="camera")
        assert files(other) == 4


def test_rule_is_there_after_opening_again(log: Log) -> None:
    rule = PictureRule(keep_alignments=7, keep_gb=2.5)
    log.set_picture_rule(PictureRule(keep_alignments=1))
    log.set_picture_rule(rule)
    with Log(log.folder) as again:
        assert again.picture_rule() == rule


def test_picture_that_a_kept_event_shares_stays(log: Log) -> None:
    newest = log.newest("camera")
    assert newest is not None
    event = log.add_event(newest, MARK, picture=picture(0))  # the same content as in the oldest alignment
    log.set_picture_rule(PictureRule(keep_alignments=1))
    log.prune()
    assert log.picture(event) == picture(0)
    assert held(log) == [1, 0, 0, 3]


def test_a_picture_of_two_events_counts_once(log: Log) -> None:
    newest = log.newest("camera")
    assert newest is not None
    log.add_event(newest, MARK, picture=picture(31))
    for spare, left in ((0.5, [0, 0, 1, 3]), (-0.5, [0, 0, 0, 3])):
        log.set_picture_rule(PictureRule(keep_gb=(3 * SIZE + spare) / 1e9))
        log.prune()
        assert held(log) == left


def test_what_no_event_names_is_swept(log: Log) -> None:
    log.pictures.keep(picture(99))
    part = log.pictures.folder / "ab"
    part.mkdir(exist_ok=True)
    (part / "tmpx.part").write_bytes(b"torn")
    (part / "notes.txt").write_text("not ours")
    assert log.prune() == Pruned(2, SIZE + 4)
    assert (part / "notes.txt").exists()
    assert held(log) == [2, 2, 2, 2]


def test_picture_that_cannot_go_holds_nothing_up(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise PermissionError(13, os.strerror(13))

    log.set_picture_rule(PictureRule(keep_alignments=1))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", fails)
        number = log.start_alignment(machine=MACHINE, source="camera")
    log.add_event(number, MARK)
    assert log.prune().pictures == 8  # the next time


@pytest.mark.parametrize("rule", [{"keep_alignments": 0}, {"keep_gb": -1.0}, {"keep_gb": float("nan")}])
def test_senseless_rule_is_refused(rule: dict[str, float]) -> None:
    with pytest.raises(BadEntry):
        PictureRule(**rule)  # type: ignore[arg-type]
