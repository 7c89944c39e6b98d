"""The printed grid by which a camera is calibrated: thirty markers that are on none of the cards."""

from __future__ import annotations

from vision.card import Floats, Shape, Words, marker_boxes, marker_square

COLUMNS, ROWS = 5, 6
FIRST_ID = 16
PITCH_MM, GRID_MARKER_MM = 36.0, 27.0
GRID_WIDTH_MM, GRID_HEIGHT_MM = COLUMNS * PITCH_MM, ROWS * PITCH_MM


def grid_markers() -> dict[int, Floats]:
    """Return id → corners (4, 2) in mm, x right, y up, origin in the grid's middle, OpenCV's corner order."""
    return {FIRST_ID + i: marker_square(_place(i), GRID_MARKER_MM) for i in range(COLUMNS * ROWS)}


def _place(index: int) -> tuple[float, float]:
    row, col = divmod(index, COLUMNS)
    return (col - (COLUMNS - 1) / 2) * PITCH_MM, ((ROWS - 1) / 2 - row) * PITCH_MM


def grid_shapes() -> list[Shape]:
    """Return everything that is printed on the grid's page."""
    code: list[Shape] = [marker_boxes(i, corners) for i, corners in grid_markers().items()]
    foot = -GRID_HEIGHT_MM / 2 - 4.0
    return [
        *code,
        Words("calibration grid: print at 100 %, glue flat to a board", (0.0, foot), 4.0),
        Words(f"each black square must measure {GRID_MARKER_MM:.0f} mm", (0.0, foot - 6.0), 3.2),
    ]


def size_mm() -> tuple[float, float]:
    """Width and height of the page's part that holds the grid and its words."""
    return GRID_WIDTH_MM, GRID_HEIGHT_MM + 28.0
