"""The Cramér–Rao bound of a centre: formulas of docs/reading.md, numerical Fisher information, the fit."""

import cv2
import numpy as np
import pytest
import scenes
from scipy.special import erf

import vision
from vision.fit import locate_spot
from vision.homography import project

Y, X = np.indices((64, 64)).astype(float)
SOFT_PX = 1.5


def bell(p):
    return p[3] * np.exp(-2 * ((X - p[0]) ** 2 + (Y - p[1]) ** 2) / p[2] ** 2) + p[4] + p[5] * X + p[6] * Y


def disc(p):
    edge = (np.hypot(X - p[0], Y - p[1]) - p[2]) / (np.sqrt(2) * SOFT_PX)
    return p[3] * (1 - erf(edge)) / 2 + p[4] + p[5] * X + p[6] * Y


def bound(model, p, noise):
    """Standard deviations (2,) of the centre by the inverse of the numerical Fisher information."""
    steps = 1e-4 * np.eye(len(p))
    slopes = np.array([(model(p + s) - model(p - s)).ravel() / 2e-4 for s in steps])
    return np.sqrt(np.diag(np.linalg.inv(slopes @ slopes.T / noise**2))[:2])


def test_formulas_agree_with_numerical_fisher_information():
    a, noise, radius = 100.0, 2.0, 11.0
    p = np.array([31.3, 32.1, radius, a, 20.0, 0.0, 0.0])
    # the plane's unknown slope shares a little information with the centre, so the bound is a little higher
    assert bound(bell, p, noise) == pytest.approx(noise / a * np.sqrt(2 / np.pi), rel=0.06)
    by_formula = noise / a * np.sqrt(2 * SOFT_PX / (np.sqrt(np.pi) * radius))
    assert bound(disc, p, noise) == pytest.approx(by_formula, rel=0.08)


@pytest.mark.parametrize("slope", [0.0, 10 / 64])
@pytest.mark.parametrize("model", [bell, disc])
def test_the_fit_stays_within_ten_percent_of_the_bound(model, slope):
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(150):
        p = np.array([*rng.uniform(28, 36, 2), rng.uniform(10, 15), 100.0, 20.0, slope, 0.0])
        noise = 100 / rng.uniform(30, 75)
        z = model(p) + rng.normal(0, noise, X.shape)
        ratios.append(np.subtract(locate_spot(z), p[:2]) / bound(model, p, noise))
    # 300 numbers: their rms itself is uncertain by 4 %
    assert np.sqrt(np.mean(np.square(ratios))) < 1.10


def test_the_card_s_pose_agrees_with_solvepnp():
    """Pose out of our homography against OpenCV's `solvePnP` on OpenCV's own refined corners."""
    view = scenes.View(tilt_deg=35, roll_deg=15, distance_mm=270)
    picture = scenes.render(scenes.Scene(view=view), np.random.default_rng(2))
    station, seen = vision.find_card(picture)
    cols, rows = view.size
    inner = np.array([(view.focal_px, 0, (cols - 1) / 2), (0, view.focal_px, (rows - 1) / 2), (0, 0, 1.0)])
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), settings)
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
    sheet = vision.card_sheet(station)
    mm = np.vstack([sheet.markers[int(i)] for i in ids.ravel()])
    _, turn, place = cv2.solvePnP(
        np.column_stack([mm, np.zeros(len(mm))]),
        np.vstack([c[0] for c in corners]).astype(float),
        inner,
        None,
    )
    ours = np.linalg.inv(inner) @ seen.homography
    ours /= np.linalg.norm(ours[:, :2], axis=0).mean()
    assert ours[:, 2] == pytest.approx(place.ravel(), abs=0.5)
    assert ours[:, 0] == pytest.approx(cv2.Rodrigues(turn)[0][:, 0], abs=0.01)
    middle = cv2.projectPoints(np.zeros((1, 3)), turn, place, inner, None)[0].ravel()
    assert project(seen.homography, np.zeros((1, 2)))[0] == pytest.approx(middle, abs=0.15)
