"""The command line: its output, its exit status, and one line for every error."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import vision
from server.cli import main as command

Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    """Exit status, standard output, standard error."""
    status = command.main([str(argument) for argument in arguments])
    output = capsys.readouterr()
    return status, output.out, output.err


def one_line(text: str) -> str:
    assert text.count("\n") == 1 and text.endswith("\n"), text
    assert "Traceback" not in text
    return text.strip()


def next_step(capsys: Capture, text: bytes, *options: str) -> tuple[int, str, str]:
    """Run ``next`` with that text as standard input: exit status, standard output, standard error."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text), "utf-8"))
        return run(capsys, "next", *options)


def test_version_and_help(capsys: Capture) -> None:
    assert run(capsys, "--version")[:2] == (0, "spotwright, version 0.1.0\n")
    status, out, _ = run(capsys)
    assert status == 0
    for name in ("cards", "read", "next", "serve", "log"):
        assert f"  {name} " in out


@pytest.mark.parametrize("group", ["", "log"])
def test_no_line_of_help_is_cut_off(group: str, capsys: Capture) -> None:
    _, out, _ = run(capsys, *group.split(), "--help")
    assert [line for line in out.splitlines() if line.endswith("...") and "Usage:" not in line] == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["polish"], "polish"),
        (["read"], "AFTER"),
        (["cards"], "--pdf FILE, --png FOLDER"),
        (["cards", "--png", "x", "--dpi", "nan"], "between 50 and 1200"),
        (["cards", "--png", "x", "--dpi", "1e9"], "between 50 and 1200"),
        (["cards", "--png", "x", "--dpi", "many"], "many"),
        (["serve", "--port", "70000"], "70000"),
        (["log", "polish"], "polish"),
        (["log", "show", "one"], "one"),
    ],
)
def test_bad_arguments_are_one_line(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "")
    assert said in one_line(err)
    assert list(tmp_path.iterdir()) == []


# cards


def test_cards_png(capsys: Capture, tmp_path: Path) -> None:
    status, out, _ = run(capsys, "cards", "--png", tmp_path / "cards", "--dpi", 100)
    assert status == 0
    for name in ("card-mirror-1", "card-mirror-2", "card-mirror-3", "card-nozzle"):
        assert f"{name}.png" in out
        about = json.loads((tmp_path / "cards" / f"{name}.json").read_text("utf-8"))
        assert {"width_mm", "height_mm", "centre_mm", "window_diameter_mm"} <= set(about)
        picture = cv2.imread(str(tmp_path / "cards" / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
        assert picture is not None
        assert picture.shape[1] == pytest.approx(about["width_mm"] / 25.4 * 100, abs=1)


def test_cards_pdf(capsys: Capture, tmp_path: Path) -> None:
    assert run(capsys, "cards", "--pdf", tmp_path / "cards.pdf")[0] == 0
    assert (tmp_path / "cards.pdf").read_bytes().startswith(b"%PDF-")


def test_cards_where_nothing_can_be_written(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for option in ("--png", "--pdf"):
        status, _, err = run(capsys, "cards", option, tmp_path / "file" / "x")
        assert status == 2
        assert str(tmp_path) in one_line(err)


# read


def save(path: Path, picture: Any) -> Path:
    assert cv2.imwrite(str(path), picture)
    return path


def card_with_mark(*, u_mm: float, v_mm: float) -> Any:
    """A card as if scanned, with a dark disc of 4 mm in its window."""
    dpi, sheet = 200.0, vision.card_sheet("mirror-2")
    picture = vision.draw_card("mirror-2", dpi=dpi).copy()
    scale = dpi / 25.4
    centre = ((sheet.centre_mm[0] + u_mm) * scale - 0.5, (sheet.centre_mm[1] - v_mm) * scale - 0.5)
    rows, cols = np.indices(picture.shape)
    distance = np.hypot(cols - centre[0], rows - centre[1])
    burnt = np.clip(2 * scale - distance + 0.5, 0, 1)
    return (picture * (1 - 0.8 * burnt)).astype(np.uint8)


def test_read_prints_json_for_programs(capsys: Capture, tmp_path: Path) -> None:
    photo = save(tmp_path / "photo.png", card_with_mark(u_mm=3.0, v_mm=-2.0))
    status, out, _ = run(capsys, "read", photo, "--json")
    assert status == 0
    reading = json.loads(out)
    assert reading["station"] == "mirror-2"
    (mark,) = reading["marks"]
    assert mark["offset_mm"] == pytest.approx([3.0, -2.0], abs=0.1)
    assert mark["width_mm"] == pytest.approx([4.0, 4.0], abs=0.3)
    assert mark["new"] is None


def test_read_with_before_and_table_for_people(capsys: Capture, tmp_path: Path) -> None:
    before = save(tmp_path / "before.png", vision.draw_card("mirror-2", dpi=200))
    after = save(tmp_path / "after.jpg", card_with_mark(u_mm=3.0, v_mm=-2.0))
    status, out, _ = run(capsys, "read", after, "--before", before)
    assert status == 0
    assert out.startswith("card at mirror-2: 4 markers seen")
    row = out.splitlines()[2]
    assert row.endswith("round, new")
    assert [float(word) for word in row.split()[1:3]] == pytest.approx([3.0, -2.0], abs=0.1)


def test_no_card_and_no_mark_are_status_3(capsys: Capture, tmp_path: Path) -> None:
    blank = np.random.default_rng(1).integers(180, 200, (600, 800), dtype=np.uint8)
    for picture in (blank, vision.draw_card("mirror-2", dpi=200)):
        photo = save(tmp_path / "photo.png", picture)
        status, out, err = run(capsys, "read", photo, "--json")
        assert (status, out) == (3, "")
        one_line(err)


def bad_pictures(folder: Path) -> dict[str, Path]:
    good = cv2.imencode(".jpg", card_with_mark(u_mm=0, v_mm=0))[1].tobytes()
    huge = cv2.imencode(".png", np.zeros((20_000, 20_000), np.uint8))[1].tobytes()
    contents = {
        "empty.jpg": b"",
        "words.png": b"not a picture",
        "cut.jpg": good[: len(good) // 2],
        "huge.png": huge,
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    (folder / "folder.jpg").mkdir()
    return {name: folder / name for name in (*contents, "folder.jpg", "missing.jpg")}


def test_bad_pictures_are_one_line_with_the_file(capsys: Capture, tmp_path: Path) -> None:
    good = save(tmp_path / "good.png", card_with_mark(u_mm=0, v_mm=0))
    for path in bad_pictures(tmp_path).values():
        for arguments in ((path,), (good, "--before", path)):
            status, out, err = run(capsys, "read", *arguments)
            assert (status, out) == (2, ""), path
            assert str(path) in one_line(err)


# next


def profile() -> dict[str, Any]:
    from server.practice import default_profile
    from server.solver import profile_as_json

    return profile_as_json(default_profile())


def test_next_answers_on_standard_output() -> None:
    words = [sys.executable, "-m", "server.cli.main", "next"]
    text = json.dumps({"machine": profile(), "events": []}).encode()
    done = subprocess.run(words, input=text, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    step = json.loads(done.stdout)
    assert step["do"] == "mark"
    assert step["say"]


def test_next_says_why_on_standard_error_and_the_step_stays_the_same(capsys: Capture) -> None:
    document = json.dumps({"machine": profile(), "events": []}).encode()
    plain, explained = next_step(capsys, document), next_step(capsys, document, "--why")
    assert explained[:2] == plain[:2]
    assert plain[2] == ""
    assert "robab" in explained[2]


def test_next_is_the_same_as_in_python(capsys: Capture) -> None:
    from server.solver import answer

    mark = {
        "kind": "mark",
        "station": "mirror-1",
        "head_mm": [0, 0],
        "offset_mm": [4.0, -3.0],
        "sigma_mm": 0.1,
    }
    document = {"machine": profile(), "events": [mark]}
    _, out, _ = next_step(capsys, json.dumps(document).encode("utf-8-sig"))
    assert json.loads(out) == json.loads(json.dumps(answer(document)))


BAD_EVENT = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.5}


@pytest.mark.parametrize(
    ("text", "path", "said"),
    [
        ("", "", "line 1 column 1"),
        ('{"machine": }', "", "line 1 column 13"),
        ("\n{", "", "line 2 column 2"),
        ("[]", "", "an object with 'machine' and 'events'"),
        ("[" * 200_000, "", "nested too deeply"),
        ('{"events": [' + "1" * 5000 + "]}", "", "not JSON that can be read"),
        (b"\xff\xfe{", "", "not UTF-8"),
        ({"events": []}, "machine", ""),
        ({"events": [BAD_EVENT | {"turns": float("nan")}]}, "events.0.turns", ""),
        ({"events": [BAD_EVENT | {"turns": float("inf")}]}, "events.0.turns", ""),
        ({"events": [BAD_EVENT, BAD_EVENT | {"turns": 0}]}, "events.1.turns", ""),
        ({"events": [BAD_EVENT | {"colour": "red"}]}, "events.0.colour", ""),
    ],
)
def test_next_refuses_with_the_place(capsys: Capture, text: Any, path: str, said: str) -> None:
    if isinstance(text, dict):
        machine = {} if path == "machine" else {"machine": profile()}
        text = json.dumps(machine | text)
    status, out, err = next_step(capsys, text if isinstance(text, bytes) else text.encode())
    assert status == 2
    error = json.loads(out)["error"]
    assert error["path"] == path
    assert said in error["message"] and error["message"]
    assert one_line(err).endswith(" ".join(error["message"].split()))


# serve


def test_serve_says_what_is_wrong_with_the_data_folder(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    status, _, err = run(capsys, "serve", "--port", 0, "--data", tmp_path / "data")
    assert status == 2
    assert str(tmp_path) in one_line(err)


# the process itself


def test_a_reader_that_goes_away_is_no_error() -> None:
    words = [sys.executable, "-m", "server.cli.main", "--help"]
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(words, stdout=write_end, stderr=subprocess.PIPE, check=False)
    os.close(write_end)
    assert (done.returncode, done.stderr) == (1, b"")


@pytest.mark.parametrize("word", ["--version", "next"])
def test_light_commands_do_not_load_what_they_do_not_need(word: str) -> None:
    code = (
        "import sys; from server.cli.main import main; status = main(sys.argv[1:]);"
        "print({'cv2', 'flask', 'matplotlib', 'sqlite3'} & set(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, word], input=b"{}", capture_output=True, check=False)
    assert done.stderr.decode().splitlines()[-1] == "set()"
