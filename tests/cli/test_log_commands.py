"""``spotwright log``: list, export, check, back up and restore the log."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from server.cli import main as command
from server.log import Log, Settings, checked_entry
from server.pages import Config, create_app
from server.pages.guard import keep_secret, new_code
from server.practice import default_profile
from server.solver import parse_profile, profile_as_json

Capture = pytest.CaptureFixture[str]
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}
MARK = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": [0, 1000],
    "offset_mm": [1.8049, -0.6],
    "sigma_mm": 0.1,
}
JPEG = b"\xff\xd8\xff a picture"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    with Log(folder) as log:
        number = log.start_alignment(
            machine=profile_as_json(default_profile()), source="practice", note="first try"
        )
        log.withdraw_event(log.add_event(number, TURN))
        log.add_event(number, TURN | {"turns": -2}, picture=JPEG)
        log.set_verdict(number, {"aligned": True}, done=True)
    return folder


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    status = command.main(["log", *(str(argument) for argument in arguments)])
    output = capsys.readouterr()
    return status, output.out, output.err


@pytest.mark.parametrize("words", [("--data", None), ("list", "--data", None), ("--data", None, "list")])
def test_list(capsys: Capture, data: Path, words: tuple[str | None, ...]) -> None:
    status, out, _ = run(capsys, *(data if word is None else word for word in words))
    assert status == 0
    row = out.splitlines()[1].split()
    assert row[0] == "1" and row[3:6] == ["practice", "2", "aligned"]
    assert "first try" in out


def test_show(capsys: Capture, data: Path) -> None:
    status, out, _ = run(capsys, "show", 1, "--data", data)
    assert status == 0
    first, second = out.splitlines()
    assert first.endswith("Mirror 1, screw top: 1/2 turn clockwise  (withdrawn)")
    assert second.endswith("Mirror 1, screw top: 2 turns anticlockwise")


def test_export_writes_both(capsys: Capture, data: Path, tmp_path: Path) -> None:
    status, out, _ = run(capsys, "export", tmp_path / "out", "--data", data)
    assert status == 0
    csv_file, json_file = map(Path, out.splitlines())
    with csv_file.open(newline="", encoding="utf-8") as stream:
        assert [float(row["turns"]) for row in csv.DictReader(stream)] == [0.5, -2]
    assert json.loads(json_file.read_text("utf-8"))["format"] == "spotwright-log"
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "spotwright-log.csv",
        "spotwright-log.json",
    ]


def test_export_here(capsys: Capture, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert run(capsys, "export", "--data", data)[0] == 0
    assert len(list((tmp_path / "here").iterdir())) == 2


def test_export_one_kind(capsys: Capture, data: Path, tmp_path: Path) -> None:
    status, out, _ = run(capsys, "export", "--json", "-", "--data", data)
    assert status == 0
    assert json.loads(out)["version"] == 2
    assert run(capsys, "export", "--csv", tmp_path / "only.csv", "--data", data)[0] == 0
    assert (tmp_path / "only.csv").read_text("utf-8").startswith("alignment,source,machine,note,event,when,")


def test_import_is_idempotent(capsys: Capture, data: Path, tmp_path: Path) -> None:
    run(capsys, "export", "--json", tmp_path / "log.json", "--data", data)
    words = ("import", tmp_path / "log.json", "--data", tmp_path / "other")
    assert run(capsys, *words)[:2] == (0, "new: 1 alignments, 2 events, 0 pictures\n")
    assert run(capsys, *words)[:2] == (0, "new: 0 alignments, 0 events, 0 pictures\n")
    folder = ("import", data, "--data", tmp_path / "other")
    assert run(capsys, *folder)[:2] == (0, "new: 0 alignments, 0 events, 1 pictures\n")


def test_import_refuses_what_the_solver_cannot_read(capsys: Capture, data: Path, tmp_path: Path) -> None:
    run(capsys, "export", "--json", tmp_path / "log.json", "--data", data)
    text = (tmp_path / "log.json").read_text("utf-8").replace('"turns": -2', '"turns": 2000')
    (tmp_path / "log.json").write_text(text, "utf-8")
    status, _, err = run(capsys, "import", tmp_path / "log.json", "--data", tmp_path / "other")
    assert status == 2
    assert "alignments.0.events.1.turns" in err and err.count("\n") == 1


class Terminal(io.StringIO):
    """Standard error that a person looks at."""

    def isatty(self) -> bool:
        return True


def test_long_work_shows_how_many_rows_and_pictures_are_done(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def shown(*words: object) -> list[str]:
        monkeypatch.setattr(sys, "stderr", terminal := Terminal())
        assert command.main(["log", *map(str, words), "--data", str(data)]) == 0
        drawn = terminal.getvalue().replace("\x1b[?25l", "").replace("\x1b[?25h", "")
        return [line.split("  ")[0].strip() for line in drawn.split("\r") if "100%" in line]

    copy = tmp_path / "copy"
    assert shown("check") == ["rows", "pictures"]
    assert shown("backup", copy) == ["pages of the database", "pictures", "rows", "pictures"]
    both = ["rows", "pictures", "pages of the database", "pictures", "rows", "pictures"]
    assert shown("restore", copy, "--replace") == both
    assert shown("import", copy)[-1] == "rows"


def test_a_pipe_gets_no_bars(capsys: Capture, data: Path) -> None:
    assert run(capsys, "check", "--data", data)[2] == ""


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe\x00", b"[]"])
def test_import_of_something_else(capsys: Capture, data: Path, tmp_path: Path, content: bytes) -> None:
    before = run(capsys, "--data", data)
    (tmp_path / "x.json").write_bytes(content)
    status, _, err = run(capsys, "import", tmp_path / "x.json", "--data", data)
    assert status == 2 and err.count("\n") == 1
    assert run(capsys, "--data", data) == before


def test_check_backup_restore(capsys: Capture, data: Path, tmp_path: Path) -> None:
    assert run(capsys, "check", "--data", data)[:2] == (0, "1 alignments, 2 events, 1 pictures: all whole\n")
    assert run(capsys, "backup", tmp_path / "copy", "--data", data)[0] == 0
    next((data / "pictures").glob("*/*")).write_bytes(b"")
    status, out, err = run(capsys, "check", "--data", data)
    assert (status, out) == (1, "")
    assert "is damaged" in err
    assert run(capsys, "restore", tmp_path / "copy", "--data", data)[0] == 2
    assert run(capsys, "restore", tmp_path / "copy", "--replace", "--data", data)[0] == 0
    assert run(capsys, "check", "--data", data)[0] == 0


def test_chart(capsys: Capture, data: Path, tmp_path: Path) -> None:
    words = ("chart", tmp_path / "none.svg", "--data", data)
    for more, why in ((), "these has a mark yet"), (("--laser", "x"), "no laser named x; it has"):
        status, _, err = run(capsys, *words, *more)
        assert status == 2 and "nothing to draw: " in err and why in err
        assert not (tmp_path / "none.svg").exists()
    with Log(data) as log:
        log.add_event(1, MARK)
    assert "--practice draws it" in run(capsys, *words)[2]
    for name, begins in (("a.svg", b"<?xml"), ("b.PNG", b"\x89PNG")):
        assert run(capsys, "chart", tmp_path / name, "--practice", "--data", data)[0] == 0
        assert (tmp_path / name).read_bytes().startswith(begins)
    status, _, err = run(capsys, "chart", tmp_path / "c.txt", "--data", data)
    assert status == 2 and ".svg, .png or .pdf" in err


def test_prune_by_the_rule_that_was_set(capsys: Capture, data: Path) -> None:
    assert run(capsys, "prune", "--data", data)[1] == "0 pictures removed, 0.0 MB freed\n"
    with Log(data) as log:
        log.start_alignment(machine={}, source="practice")
    assert run(capsys, "prune", "--keep-alignments", 1, "--data", data)[1].startswith("1 pictures removed")
    status, _, err = run(capsys, "prune", "--keep-alignments", 0, "--data", data)
    assert status == 2 and err.count("\n") == 1
    assert run(capsys, "prune", "--keep-gb", "nan", "--data", data)[0] == 2
    assert run(capsys, "prune", "--keep-all", "--data", data)[0] == 0
    with Log(data) as log:
        assert log.picture_rule().keep_alignments is None


@pytest.mark.parametrize(
    "words",
    [
        ("chart", "x.svg"),
        ("prune",),
        ("list",),
        ("show", 1),
        ("export", "out"),
        ("check",),
        ("backup", "copy"),
        ("restore", "nowhere"),
        ("import", "nowhere"),
    ],
)
def test_no_log_there_is_one_line(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[object, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys, *words, "--data", tmp_path / "none")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert not (tmp_path / "none").exists()


def test_unknown_alignment(capsys: Capture, data: Path) -> None:
    status, _, err = run(capsys, "show", 9, "--data", data)
    assert (status, err) == (2, "spotwright: there is no alignment 9 in this log\n")


def test_export_to_where_nothing_can_be_written(capsys: Capture, data: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    status, _, err = run(capsys, "export", "--csv", tmp_path / "file" / "x.csv", "--data", data)
    assert status == 2 and err.count("\n") == 1 and str(tmp_path) in err


def test_default_is_the_users_own_folder(capsys: Capture, own_data_folder: Path) -> None:
    assert str(own_data_folder) in run(capsys, "list")[2]


def test_show_rounds_and_tells_the_local_time(
    capsys: Capture, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(data, now=lambda: datetime(2025, 6, 1, 23, 30, tzinfo=UTC)) as log:
        log.add_event(1, MARK)
    monkeypatch.setenv("TZ", "UTC-3")  # POSIX: three hours east of Greenwich
    time.tzset()
    try:
        line = run(capsys, "show", 1, "--data", data)[1].splitlines()[-1]
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "2025-06-02 02:30" in line and "+1.80 right, -0.60 up (mm)" in line


def test_an_exported_document_is_read_by_next(capsys: Capture, data: Path, tmp_path: Path) -> None:
    with Log(data) as log:
        log.add_event(1, MARK)
    status, out, _ = run(capsys, "export", "--alignment", 1, "--document", "--data", data)
    assert status == 0
    assert [event["kind"] for event in json.loads(out)["events"]] == [
        "turn",
        "mark",
    ]  # not what was withdrawn
    words = [sys.executable, "-m", "server.cli.main", "next"]
    done = subprocess.run(words, input=out.encode(), capture_output=True, check=True)
    assert json.loads(done.stdout)["say"]
    assert run(capsys, "export", tmp_path, "--alignment", 1, "--document", "--data", data)[0] == 0
    assert (tmp_path / "alignment-1.json").read_text("utf-8") == out
    assert run(capsys, "export", "--document", "--data", data)[0] == 2


@pytest.mark.parametrize("words", [("--csv", "x.csv"), ("--json", "x.json"), (".",)])
def test_an_export_to_a_full_disk_is_one_line_and_leaves_nothing(
    capsys: Capture, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    (tmp_path / "full").mkdir()
    monkeypatch.chdir(tmp_path / "full")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", full)
    status, out, err = run(capsys, "export", *words, "--data", data)
    assert (status, out, err.count("\n")) == (2, "", 1) and "the disk is full" in err
    assert list((tmp_path / "full").iterdir()) == []


def test_a_backup_to_a_full_stick_names_the_stick(
    capsys: Capture, data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(folder: Path) -> bool:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("server.log._pictures.sync_disk", full)
    status, _, err = run(capsys, "backup", tmp_path / "stick", "--data", data)
    assert status == 2 and f"{tmp_path / 'stick'}" in err and str(data) not in err


def test_a_database_that_fills_the_stick_names_the_stick(capsys: Capture, data: Path, tmp_path: Path) -> None:
    words = ["import resource, sys", "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))"]
    words += ["from server.cli.main import main", "sys.exit(main(sys.argv[1:]))"]
    asked = ("log", "backup", str(tmp_path / "stick"), "--data", str(data))
    done = subprocess.run([sys.executable, "-c", "; ".join(words), *asked], capture_output=True, text=True)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    assert str(tmp_path / "stick") in done.stderr and str(data) not in done.stderr


def test_damage_is_said_and_rescue_goes_on(capsys: Capture, data: Path, tmp_path: Path) -> None:
    assert run(capsys, "backup", tmp_path / "copy", "--data", data)[0] == 0
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute("UPDATE event SET happened = 'then' WHERE id = 2")
    assert run(capsys, "show", 1, "--data", data)[0] == 1
    assert run(capsys, "export", tmp_path / "out", "--data", data)[0] == 1
    status, _, err = run(capsys, "check", "--data", data)
    assert status == 1 and "spotwright log rescue" in err
    status, _, err = run(capsys, "backup", tmp_path / "copy", "--data", data)
    assert status == 1 and "previous backup is unchanged" in err
    assert run(capsys, "rescue", tmp_path / "copy", "--data", data)[0] == 0
    assert run(capsys, "check", "--data", data)[:2] == (0, "1 alignments, 2 events, 1 pictures: all whole\n")
    assert (data / "spotwright-damaged-1.db").exists()


def test_a_damaged_alignment_is_listed_and_shown_as_such(capsys: Capture, data: Path) -> None:
    with closing(sqlite3.connect(data / "spotwright.db")) as db, db:
        db.execute("UPDATE alignment SET machine = replace(machine, '1600', '1610')")
    status, out, err = run(capsys, "list", "--data", data)
    assert (status, out.splitlines()[1].split()) == (1, ["1", "2", "damaged", "?"])
    assert err == "1 of these are damaged\nsee 'spotwright log rescue --help'\n"
    status, out, err = run(capsys, "show", 1, "--data", data)
    assert (status, len(out.splitlines())) == (1, 2)
    assert "turns=-2" in out and err.startswith("its laser or its note is damaged\n")
    status, out, err = run(capsys, "export", "--json", "-", "--data", data)
    assert status == 1 and "alignment 1: its laser or its note is damaged" in err
    assert len(json.loads(out)["alignments"][0]["events"]) == 2


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("lasers/current", "../../etc/passwd"),
        ("lasers/current", ""),
        ("lasers/one.json", "{"),
        ("lasers/one.json", "[]"),
        ("lasers/check-bars", '["a"]'),
        ("lasers/check-bars", "[1, 2]"),
        ("access-code", "-"),
        ("access-code", "aaaaaaaaaaaa"),
        ("rig.toml", "name = "),
    ],
)
def test_a_damaged_settings_file_is_said_by_check_and_stops_nothing(
    capsys: Capture, data: Path, name: str, content: str
) -> None:
    (data / "lasers").mkdir()
    (data / name).write_text(content)
    status, _, err = run(capsys, "check", "--data", data)
    assert status == 1 and str(data / name) in err and err.count("\n") == 1
    found = Settings()
    code = keep_secret(data / "access-code", new_code, found)
    create_app(Config(data=data, code=code, settings=found))
    assert code.strip() not in ("", "-")


def test_a_name_that_a_profile_may_have_is_taken_everywhere(data: Path) -> None:
    for length in (81, 200):
        name = "x" * length
        parse_profile(profile_as_json(default_profile()) | {"name": name})
        assert checked_entry("hours", {"laser": name, "hours": 1.0})["laser"] == name


def test_a_path_of_odd_bytes_is_one_line(capsys: Capture, data: Path, tmp_path: Path) -> None:
    odd = tmp_path / os.fsdecode(b"\xff\xfe")
    assert run(capsys, "export", odd, "--data", data)[0] == 0
    assert run(capsys, "backup", odd / "copy", "--data", data)[0] == 0
    for words in (("list", "--data", odd / "none"), ("list", "--data", tmp_path / ("x" * 5000))):
        status, _, err = run(capsys, *words)
        assert status == 2 and err.count("\n") == 1
