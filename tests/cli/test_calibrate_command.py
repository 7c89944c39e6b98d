"""`spotwright calibrate` and `read --camera`: measured, written, used, refused in one line."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

import vision
from server.cli.main import main
from vision.grid import grid_shapes
from vision.raster import draw_shapes

FOCAL_PX, SIZE_PX, DPI = 760.0, (800, 600), 110.0
Capture = pytest.CaptureFixture[str]


def grid_photo(turn_deg: tuple[float, float, float]) -> np.ndarray:
    """The printed grid through an ideal pinhole of FOCAL_PX, turned about X, Y, Z and 240 mm away."""
    page = draw_shapes(grid_shapes(), (200.0, 250.0), (100.0, 115.0), dpi=DPI)
    px_per_mm = DPI / 25.4
    to_mm = np.array(
        [[1 / px_per_mm, 0, 0.5 / px_per_mm - 100], [0, 1 / px_per_mm, 0.5 / px_per_mm - 115], [0, 0, 1]]
    )
    turn = cv2.Rodrigues(np.radians(turn_deg))[0]
    lens = np.array([[FOCAL_PX, 0, SIZE_PX[0] / 2], [0, FOCAL_PX, SIZE_PX[1] / 2], [0, 0, 1]])
    view = lens @ np.column_stack([turn[:, 0], turn[:, 1], (0, 0, 240.0)]) @ to_mm
    grey = cv2.warpPerspective(cv2.GaussianBlur(page, (0, 0), 1.0), view, SIZE_PX, borderValue=90)
    return cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)


def test_photos_of_the_grid_become_a_camera_that_read_takes(capsys: Capture, tmp_path: Path) -> None:
    turns = [(0, 0, 90), (25, 0, 90), (-25, 5, 85), (0, 28, 95), (8, -28, 90), (18, 18, 100)]
    photos = [tmp_path / f"{i}.png" for i in range(len(turns))]
    for path, turn in zip(photos, turns, strict=True):
        cv2.imwrite(str(path), grid_photo(turn))
    kept = tmp_path / "camera.json"
    assert main(["calibrate", *map(str, photos), "--out", str(kept)]) == 0
    model = vision.CameraModel.from_json(json.loads(kept.read_text()))
    assert model.matrix[0, 0] == pytest.approx(FOCAL_PX, rel=0.01)
    capsys.readouterr()
    assert main(["read", str(photos[0]), "--camera", str(kept)]) == 3  # a good picture, but of no card
    assert "card" in capsys.readouterr().err


def test_the_grid_is_written(tmp_path: Path) -> None:
    assert main(["calibrate", "--grid", str(tmp_path / "grid.pdf")]) == 0
    assert (tmp_path / "grid.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give --grid"),
        (["a.png"], "--out"),
        (["nosuch.png", "--out", "c.json"], "nosuch.png"),
        (["--grid", "no/such/folder/grid.pdf"], "no/such/folder/grid.pdf"),
    ],
)
def test_bad_arguments_are_one_line(
    capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["calibrate", *words]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert said in lines[0]


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"matrix": 1}', "not json"])
def test_a_file_that_is_no_camera_is_refused(capsys: Capture, tmp_path: Path, text: str) -> None:
    kept = tmp_path / "camera.json"
    kept.write_text(text)
    photo = tmp_path / "photo.png"
    cv2.imwrite(str(photo), np.full((50, 60, 3), 128, np.uint8))
    assert main(["read", str(photo), "--camera", str(kept)]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert str(kept) in lines[0]
