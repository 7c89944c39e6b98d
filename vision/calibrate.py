"""Lens distortion: a camera model from pictures of the printed grid, and pictures straightened by it.

The model is the common one of five distortion terms (Brown 1971; OpenCV's `calibrateCamera`, after Zhang
2000). The markers' corners come from lines fitted to their edges, so a handful of pictures is enough.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import Floats
from vision.edges import fit_edges
from vision.errors import CalibrationFailed
from vision.find import to_grey
from vision.grid import grid_markers
from vision.homography import fit_homography, project
from vision.markers import find_markers
from vision.picture import Pixels

FEWEST_PICTURES = 4
_FEWEST_MARKERS = 6
_WORST_RMS_PX = 1.0


@dataclass(frozen=True, eq=False)
class CameraModel:
    """A calibrated camera: inner matrix (3, 3) px, distortion (k1, k2, p1, p2, k3), picture size, rms error
    in px.
    """

    matrix: Floats
    distortion: Floats
    size_px: tuple[int, int]
    rms_px: float

    def straighten(self, picture: Pixels) -> Pixels:
        """Return the picture as a lens without distortion would have taken it.

        Raises
        ------
        CalibrationFailed
            If the picture is not of the size (width, height) that was calibrated.
        """
        if picture.shape[1::-1] != self.size_px:
            size = f"{picture.shape[1]} × {picture.shape[0]}"
            known = f"{self.size_px[0]} × {self.size_px[1]}"
            raise CalibrationFailed(f"a picture of {size} px does not suit a camera calibrated at {known} px")
        return np.asarray(cv2.undistort(picture, self.matrix, self.distortion), dtype=np.uint8)

    def as_json(self) -> dict[str, Any]:
        """Return the model as plain JSON values."""
        return {
            "matrix": self.matrix.tolist(),
            "distortion": self.distortion.tolist(),
            "size_px": list(self.size_px),
            "rms_px": self.rms_px,
        }

    @staticmethod
    def from_json(data: dict[str, Any]) -> CameraModel:
        """Return the model from what `as_json` gave.

        Raises
        ------
        CalibrationFailed
            If a value is missing or of the wrong shape.
        """
        try:
            matrix, distortion = np.array(data["matrix"], float), np.array(data["distortion"], float)
            width, height = (int(side) for side in data["size_px"])
            rms_px = float(data["rms_px"])
        except (LookupError, TypeError, ValueError, OverflowError) as error:
            raise CalibrationFailed(f"not a camera's calibration: {error}") from error
        if matrix.shape != (3, 3) or distortion.shape != (5,) or min(width, height) < 1:
            raise CalibrationFailed("not a camera's calibration: wrong number of values")
        if not (np.isfinite(matrix).all() and np.isfinite(distortion).all() and abs(matrix).max() < 1e9):
            raise CalibrationFailed("not a camera's calibration: values that no lens has")
        return CameraModel(matrix, distortion, (width, height), rms_px)


def calibrate(pictures: Sequence[Pixels], *, told: Callable[[], object] = lambda: None) -> CameraModel:
    """Return the camera model from BGR pictures of the printed grid, from at least four different angles.

    ``told`` is called after each picture.

    Raises
    ------
    CalibrationFailed
        If the pictures differ in size, show too little of the grid, or contradict each other.
    """
    sizes = {picture.shape[1::-1] for picture in pictures}
    if len(sizes) > 1:
        raise CalibrationFailed("the pictures differ in size: take all with the same camera and setting")
    views = []
    for picture in pictures:
        view = _grid_corners(picture)
        views += [view] if view is not None else []
        told()
    if len(views) < FEWEST_PICTURES:
        raise CalibrationFailed(
            f"the grid was found in {len(views)} of {len(pictures)} pictures: "
            f"show it whole in at least {FEWEST_PICTURES}, from different angles"
        )
    return _solve(views, next(iter(sizes)))


def _solve(views: list[tuple[Floats, Floats]], size: tuple[int, int]) -> CameraModel:
    object_points = [np.column_stack([mm, np.zeros(len(mm))]).astype(np.float32) for mm, _ in views]
    image_points = [px.astype(np.float32) for _, px in views]
    size = (int(size[0]), int(size[1]))
    rms, matrix, distortion, _, _ = cv2.calibrateCamera(
        object_points, image_points, size, np.eye(3), np.zeros(5)
    )
    if not rms < _WORST_RMS_PX:
        raise CalibrationFailed(f"the pictures disagree by {rms:.1f} px: is the grid flat and sharp?")
    terms = np.asarray(distortion, dtype=float).ravel()[:5]
    return CameraModel(np.asarray(matrix, dtype=float), terms, size, float(rms))


def _grid_corners(picture: Pixels) -> tuple[Floats, Floats] | None:
    """Corners of the grid's markers in mm and in px, (n, 2) each; None if too few are seen."""
    grey = to_grey(picture)
    known = grid_markers()
    found = {m.id: m.corners_px for m in find_markers(grey) if m.id in known}
    if len(found) < _FEWEST_MARKERS:
        return None
    refined = {
        i: corners for i, rough in found.items() if (corners := _refined(grey, known[i], rough)) is not None
    }
    if len(refined) < _FEWEST_MARKERS:
        return None
    return np.vstack([known[i] for i in refined]), np.vstack(list(refined.values()))


def _refined(grey: NDArray[np.uint8], corners_mm: Floats, rough_px: Floats) -> Floats | None:
    """Corners (4, 2) in px where lines along all four edges meet; None if an edge is hidden."""
    local = corners_mm - corners_mm.mean(0)
    fit = fit_edges(grey, [local], fit_homography(local, rough_px))
    return project(fit.homography, local) if fit.edges_used == len(local) else None
