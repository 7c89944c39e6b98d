"""The card's place from edges of markers: shifts and scales that are known, light, blur, what is left out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.card import MARKER_MM, card_sheet
from vision.edges import edge_profiles, fit_edges, point_terms
from vision.homography import project

PER_MM = 4.0
TURN = np.radians(7.0)
TRUE = np.array(
    [
        (PER_MM * np.cos(TURN), PER_MM * np.sin(TURN), 230.3),
        (PER_MM * np.sin(TURN), -PER_MM * np.cos(TURN), 260.7),
        (0, 0, 1.0),
    ]
)
SQUARES = list(card_sheet("mirror-1").markers.values())
SIZE, FINE = (520, 460), 16


def printed(light=None, blur_px: float = 0.0, hidden: int | None = None) -> np.ndarray:
    """Black squares on white paper, each pixel by how much of it is black."""
    ink = np.zeros((SIZE[0] * FINE, SIZE[1] * FINE), np.uint8)
    for i, square in enumerate(SQUARES):
        if i != hidden:
            corners = (project(TRUE, square) + 0.5) * FINE - 0.5
            cv2.fillPoly(ink, [np.rint(corners * 16).astype(np.int32)], 255, shift=4)
    cover = np.asarray(cv2.resize(ink, SIZE[::-1], interpolation=cv2.INTER_AREA), float) / 255
    grey, x, y = 220 - 190 * cover, np.arange(SIZE[1]), np.arange(SIZE[0])
    if light is not None:
        grey = grey * light(x[None, :], y[:, None])
    if blur_px:
        grey = cv2.GaussianBlur(grey, (0, 0), blur_px)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def rough(shift_px: tuple[float, float]) -> np.ndarray:
    away = np.eye(3)
    away[:2, 2] = shift_px
    return away @ TRUE


def middle_off_px(homography: np.ndarray) -> float:
    at = np.zeros((1, 2))
    return float(np.hypot(*(project(homography, at) - project(TRUE, at))[0]))


@pytest.mark.parametrize("shift_px", [(0.0, 0.0), (1.5, -1.0), (-0.7, 2.0)])
def test_a_rough_place_is_drawn_to_the_true_one(shift_px):
    fit = fit_edges(printed(), SQUARES, rough(shift_px))
    assert middle_off_px(fit.homography) < 0.01
    assert fit.edges_used == 16
    assert fit.rms_px < 0.03
    assert fit.left_out == 0.0


def test_light_that_falls_off_and_blur_move_nothing():
    def slope(x, y):
        return 0.5 + 0.5 * x / SIZE[1] + 0 * y

    for grey in (printed(slope), printed(blur_px=1.2), printed(slope, 1.2)):
        assert middle_off_px(fit_edges(grey, SQUARES, rough((0.5, 0.5))).homography) < 0.03


def test_a_marker_that_is_not_there_is_not_used_and_the_place_less_sure():
    all_four = fit_edges(printed(), SQUARES, TRUE)
    without = fit_edges(printed(hidden=2), SQUARES, TRUE)
    assert without.edges_used == 12
    assert middle_off_px(without.homography) < 0.02
    far = np.array([[30.0, -40.0]])
    assert np.trace(without.sigma_mm(far)) > np.trace(all_four.sigma_mm(far))


def test_the_derivative_by_the_eight_parameters_is_that_of_a_homography():
    at = np.array([[10.0, -20.0]])
    terms = point_terms(at)[0] * 50.0
    for i in range(8):
        change = np.eye(3)
        change.flat[i] += 1e-6
        unit = np.diag([1 / 50.0, 1 / 50.0, 1.0])
        moved = project(np.linalg.inv(unit) @ change @ unit, at)[0]
        assert (moved - at[0]) / 1e-6 == pytest.approx(terms[:, i], abs=1e-3)


def test_the_step_across_an_edge_is_that_of_its_blur():
    """A Gaussian step S of standard deviation s: the integral of S (1 - S) is s / sqrt(pi)."""
    steps, reach, across_u = edge_profiles(printed(blur_px=1.6), SQUARES, TRUE, MARKER_MM / 6 * 0.47)
    spread = (steps * (1 - steps)).mean(axis=1) * 2 * reach * np.sqrt(np.pi)
    assert spread * PER_MM == pytest.approx(np.full(16, 1.6), abs=0.15)
    assert across_u.sum() == 8
    assert not len(edge_profiles(np.full(SIZE, 200, np.uint8), SQUARES, TRUE, 1.0)[0])
