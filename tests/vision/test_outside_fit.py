"""The fit of one mark and the maps between card and picture, against numbers computed in other ways.

Derivatives by differences, moments and Fermi integrals by scipy, uncertainties by fitting many noisy marks,
projective maps by homogeneous coordinates written out (Hartley and Zisserman, Multiple View Geometry, ch. 2).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from vision import fit
from vision.bend import Bend, bend_of_tensor, eye_of, likeliest_focal
from vision.homography import fit_homography, jacobian, pixel_shift, project, scale_and_tilt
from vision.lobes import join_lobes, join_pattern
from vision.on_top import on_top
from vision.parallax import BY_HAND, sight_slope, stand_off
from vision.reading import CardView, Mark
from vision.tone_curve import SAME, tone_between

Array = NDArray[Any]
TILTED = np.array([(8.0, 0.6, 310.0), (-0.4, -7.0, 240.0), (1e-3, -2e-3, 1.0)])
V, U = (axis.ravel() for axis in np.mgrid[-6:6:61j, -6:6:61j])
OVAL = np.array([(0.36, 0.05), (0.05, 0.16)])
PLANE = (100.0, 1.5, -0.5)  # level, slope along u and along v
ROUND_2 = np.eye(2) / 4


def mark_at(centre: tuple[float, float], form: Array, flatness: float, height: float) -> Array:
    """A mark on its sloping ground, its profile written out."""
    d = np.stack([U - centre[0], V - centre[1]])
    q = np.einsum("in,ij,jn->n", d, form, d)
    return (
        PLANE[0]
        + PLANE[1] * U
        + PLANE[2] * V
        + height * (1 + np.exp(-flatness)) / (1 + np.exp(np.minimum(q - flatness, 500)))
    )


@pytest.mark.parametrize(("form", "oval"), [(ROUND_2, False), (ROUND_2, True), (OVAL, True)])
@pytest.mark.parametrize(("flatness", "height"), [(6.0, -40.0), (1.0, 25.0), (-3.0, -60.0)])
def test_a_drawn_mark_is_found_as_it_was_drawn(
    form: Array, oval: bool, flatness: float, height: float
) -> None:
    z = mark_at((0.7, -0.4), form, flatness, height)
    spot = fit.fit_spot(
        U, V, z, centre=(0.3, 0.1), radius=2.5, flatness=4.0 if flatness > 0 else -4.0, oval=oval, rounds=60
    )
    assert spot.centre == pytest.approx([0.7, -0.4], abs=2e-3)
    shape = np.sqrt(np.linalg.det(form))
    assert np.sqrt(np.linalg.det(spot.form)) / (spot.flatness + 5) == pytest.approx(
        shape / (flatness + 5), rel=0.2
    )
    assert spot.height == pytest.approx(height, rel=0.03)
    assert spot.noise < 0.01 * abs(height)
    np.testing.assert_allclose(spot.rest, z - spot.height * spot.profile(U, V) - ground(spot), atol=1e-8)


def ground(spot: fit.Spot) -> Array:
    """Its plane: the level is that at the mark's centre."""
    return np.asarray(
        spot.plane[0] + spot.plane[1] * (U - spot.centre[0]) + spot.plane[2] * (V - spot.centre[1])
    )


def test_a_mark_that_starts_where_it_is_stays_there() -> None:
    z = mark_at((0.7, -0.4), OVAL, 3.0, 30.0)
    spot = fit.fit_spot(U, V, z, centre=(0.0, 0.0), radius=2.0, oval=True, rounds=60)
    assert spot.plane == pytest.approx([100 + 1.5 * 0.7 + 0.5 * 0.4, 1.5, -0.5], rel=1e-3)
    for oval, about in ((True, (0.5, 0.5)), (False, (0.5, 0.5)), (True, (0.0, 0.0))):
        again = fit.fit_spot(U, V, z, centre=about, radius=9.0, oval=oval, start=spot, rounds=0)
        np.testing.assert_allclose(again.centre, spot.centre)
        np.testing.assert_allclose(np.linalg.det(again.form), np.linalg.det(spot.form))
        np.testing.assert_allclose(again.plane, spot.plane)
        assert (again.flatness, again.height) == pytest.approx((spot.flatness, spot.height))
        if oval:
            np.testing.assert_allclose(again.form, spot.form)


@pytest.mark.parametrize("oval", [False, True])
@pytest.mark.parametrize("flatness", [-3.0, 0.5, 6.0])
@pytest.mark.parametrize("grounded", [False, True])
def test_the_slopes_of_the_model_are_its_derivatives(oval: bool, flatness: float, grounded: bool) -> None:
    rng = np.random.default_rng(2)
    under = fit.Ground(
        rng.uniform(0.3, 1.0, U.size) if grounded else None,
        rng.standard_normal((2, U.size)) if grounded else None,
        np.array([0.5, 2.0]) if grounded else None,
    )
    kind = fit._Kind(oval)
    problem = fit._Problem(U, V, np.zeros_like(U), None, kind, under)
    shape = [0.55, 0.1, 0.4] if oval else [0.5]
    params = np.array([0.2, -0.3, *shape, flatness, 12.0, 3.0, 0.4, -0.2, *([0.7, -1.1] if grounded else [])])

    def model(at: Array) -> Array:
        return -problem.rest(at, problem.basis(at))

    exact = problem.basis(params) * problem.scale(params)[:, None]
    for k in range(len(params)):
        step = 1e-6 * np.eye(len(params))[k]
        slope = (model(params + step) - model(params - step)) / 2e-6
        np.testing.assert_allclose(exact[k], slope, atol=2e-6 * max(1.0, np.abs(slope).max()), rtol=1e-4)
    assert problem.cost(params, model(params)) == pytest.approx(
        model(params) @ model(params) + ((0.5 * 0.7**2 + 2.0 * 1.1**2) if grounded else 0.0)
    )


def test_each_point_counts_as_its_weight() -> None:
    """A point of weight two is as good as two of them; one of weight nil is not there."""
    z = mark_at((0.2, 0.1), ROUND_2, 3.0, 30.0) + np.random.default_rng(1).normal(0, 1, U.size)
    weight = np.where(U > 0, 2.0, np.where(V > 5, 0.0, 1.0))
    weighed = fit.fit_spot(U, V, z, centre=(0.0, 0.0), radius=2.0, weight=weight)
    times = weight.astype(int)
    plain = fit.fit_spot(*(np.repeat(a, times) for a in (U, V, z)), centre=(0.0, 0.0), radius=2.0)
    assert weighed.centre == pytest.approx(plain.centre, abs=1e-6)
    assert weighed.noise == pytest.approx(plain.noise, rel=1e-6)
    np.testing.assert_allclose(weighed.covariance, plain.covariance, rtol=1e-4)


@pytest.mark.parametrize("oval", [False, True])
def test_the_uncertainty_is_how_far_noisy_marks_lie_apart(oval: bool) -> None:
    rng, clean = np.random.default_rng(4), mark_at((0.1, 0.2), OVAL if oval else ROUND_2, 3.0, 20.0)
    spots = [
        fit.fit_spot(U, V, clean + rng.normal(0, 2.0, U.size), centre=(0.0, 0.0), radius=2.0, oval=oval)
        for _ in range(60)
    ]
    stated = np.sqrt(np.mean([np.diag(spot.covariance) for spot in spots], axis=0))
    seen = np.std([spot.centre for spot in spots], axis=0)
    np.testing.assert_allclose(seen, stated, rtol=0.3)
    assert np.mean([spot.noise for spot in spots]) == pytest.approx(2.0, rel=0.03)
    assert np.mean([spot.centre for spot in spots], axis=0) == pytest.approx([0.1, 0.2], abs=0.01)


def test_what_a_point_does_to_the_centre_is_told() -> None:
    z = mark_at((0.2, 0.1), ROUND_2, 3.0, 30.0)
    spot = fit.fit_spot(U, V, z, centre=(0.0, 0.0), radius=2.0, rounds=60)
    step = 1.0 * np.exp(-((U - 2.0) ** 2) - (V - 0.5) ** 2)
    moved = fit.fit_spot(U, V, z + step, centre=(0.0, 0.0), radius=2.0, start=spot, rounds=60)
    assert spot.influence @ step == pytest.approx(moved.centre - spot.centre, rel=0.05)
    assert np.abs(moved.centre - spot.centre).min() > 5e-4


@pytest.mark.parametrize("flatness", [-4.0, 0.0, 2.0, 8.0, 40.0])
def test_widths_edge_and_radius_are_those_of_the_profile(flatness: float) -> None:
    """ISO 11146-1: four times the root of the second moment, along each axis."""
    way = 0.4
    turn = np.array([(np.cos(way), -np.sin(way)), (np.sin(way), np.cos(way))])
    form = turn @ np.diag([0.5, 2.0]) @ turn.T
    spot = fit.Spot(
        np.array([1.0, 2.0]),
        form,
        flatness,
        1.0,
        np.zeros(3),
        np.zeros((2, 2)),
        np.zeros(1),
        0.0,
        np.zeros(1),
    )

    def height(q: float) -> float:
        return float((1 + np.exp(-flatness)) / (1 + np.exp(min(q - flatness, 600))))

    end = max(flatness, 0.0) + 40
    first, whole = quad(lambda q: q * height(q), 0, end)[0], quad(height, 0, end)[0]
    long, short, axis = spot.widths()
    assert (long, short) == pytest.approx(
        [4 * np.sqrt(first / whole / (2 * a)) for a in (0.5, 2.0)], rel=1e-3
    )
    assert np.abs(np.sin(axis - way)) < 1e-9
    out = np.linspace(0, 12, 200_001)  # along the long axis
    x, y = 1.0 + out * np.cos(way), 2.0 + out * np.sin(way)
    shown = spot.profile(x, y)
    np.testing.assert_allclose(shown[:100], [height(0.5 * r * r) for r in out[:100]])
    half = out[np.argmin(np.abs(shown - 0.5))]
    assert spot.relative_radius(x, y)[100_000] == pytest.approx(out[100_000] / half, rel=1e-3)
    edge = out[np.argmin(np.abs(shown - 0.2))] - out[np.argmin(np.abs(shown - 0.8))]
    # on the mean of both axes: the long one is √2 longer
    assert spot.edge_mm() == pytest.approx(edge / 2**0.5, rel=2e-3)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("sharp", [True, False])
def test_the_one_spot_of_a_crop_is_found_bright_or_dark(sign: float, sharp: bool) -> None:
    y, x = np.indices((31, 41), dtype=float)
    q = ((x - 22.3) ** 2 + (y - 13.6) ** 2) / 25.0
    crop = 90.0 + sign * 40.0 * (1 / (1 + np.exp(8 * (q - 1))) if sharp else np.exp(-q))
    assert fit.locate_spot(crop) == pytest.approx((22.3, 13.6), abs=0.02)
    assert (fit.fit_crop(crop).flatness > 1.0) is sharp
    assert fit.fit_crop(crop).height * sign > 30.0


def homogeneous(homography: Array, point: Array) -> Array:
    x, y, w = homography @ [point[0], point[1], 1.0]
    return np.array([x / w, y / w])


def test_points_are_mapped_by_homogeneous_coordinates_and_so_are_their_slopes() -> None:
    points = np.random.default_rng(1).uniform(-40, 40, (20, 2))
    np.testing.assert_allclose(project(TILTED, points), [homogeneous(TILTED, p) for p in points])
    np.testing.assert_allclose(
        project(TILTED, points.reshape(4, 5, 2)), project(TILTED, points).reshape(4, 5, 2)
    )
    for axis in (0, 1):
        step = 1e-5 * np.eye(2)[axis]
        slope = (project(TILTED, points + step) - project(TILTED, points - step)) / 2e-5
        np.testing.assert_allclose(jacobian(TILTED, points)[:, :, axis], slope, rtol=1e-6)


@pytest.mark.parametrize("count", [4, 12])
def test_a_map_is_found_from_where_it_sends_points(count: int) -> None:
    source = np.random.default_rng(count).uniform(-40, 40, (count, 2))
    np.testing.assert_allclose(fit_homography(source, project(TILTED, source)), TILTED, rtol=1e-6)


def test_a_map_of_many_noisy_points_is_as_good_as_a_general_librarys() -> None:
    rng = np.random.default_rng(3)
    source = rng.uniform(-40, 40, (200, 2))
    seen = project(TILTED, source) + rng.normal(0, 0.5, (200, 2))
    other = cv2.findHomography(source, seen)[0]
    off = [
        np.square(project(h, source) - project(TILTED, source)).mean()
        for h in (fit_homography(source, seen), other)
    ]
    assert off[0] < 1.2 * off[1] + 1e-3


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 50.0])
@pytest.mark.parametrize("scale", [3.0, 9.0])
def test_outside_tilt_and_scale_are_those_of_a_pinhole_camera(tilt_deg: float, scale: float) -> None:
    """The camera looks at the card's centre; the tilt is of the card about its own horizontal axis."""
    focal, tilt = 2000.0, np.radians(tilt_deg)
    away = focal / scale
    inner = np.diag([focal, focal, 1.0])
    pose = np.array([(1, 0, 0), (0, -np.cos(tilt), 0), (0, -np.sin(tilt), away)])
    px_per_mm, found_deg = scale_and_tilt(inner @ pose)
    assert found_deg == pytest.approx(tilt_deg, abs=1e-4)
    assert px_per_mm == pytest.approx(scale * np.sqrt(np.cos(tilt)))
    homography = np.array([(1, 0, 959.5), (0, 1, 539.5), (0, 0, 1.0)]) @ inner @ pose
    ratio = focal / (0.8 * 1920)
    eye = eye_of(homography, (1080, 1920), ratio)
    np.testing.assert_allclose(eye, np.array([0.0, np.sin(tilt), np.cos(tilt)]) * away, atol=1e-6)
    if tilt_deg:  # from straight above every focal length explains the axes
        assert likeliest_focal(homography, (1080, 1920)) == pytest.approx(ratio, rel=0.06)


def test_outside_a_pixel_of_a_smaller_picture_lies_in_the_middle_of_those_it_is_made_of() -> None:
    """As cv2.resize does it: the centre of pixel 0 of a third is pixel 1."""
    assert project(pixel_shift(1 / 3), np.array([(1.0, 4.0)])) == pytest.approx(np.array([(0.0, 1.0)]))
    ramp = np.tile(np.arange(30.0), (30, 1)).astype(np.float32)
    small = cv2.resize(ramp, (10, 10), interpolation=cv2.INTER_AREA)
    there = project(np.linalg.inv(pixel_shift(1 / 3)), np.array([(4.0, 4.0)]))[0, 0]
    assert small[4, 4] == pytest.approx(there)


@pytest.mark.parametrize("curvature", [1 / 150, -1 / 150])
@pytest.mark.parametrize("direction", [0.0, 0.7, np.pi / 2])
def test_outside_a_bent_sheet_is_seen_where_its_line_of_sight_meets_the_plane(
    curvature: float, direction: float
) -> None:
    eye = np.array([30.0, -50.0, 280.0])
    bend = Bend(curvature, direction, (30.0, -50.0, 280.0))
    across = np.array([np.cos(direction), np.sin(direction)])
    along = np.array([-across[1], across[0]])
    points = np.random.default_rng(5).uniform(-35, 35, (20, 2))
    for point, seen in zip(points, bend.apparent(points), strict=True):
        angle = (point @ across) * curvature
        flat = np.sin(angle) / curvature * across + (point @ along) * along
        solid = np.array([*flat, -(1 - np.cos(angle)) / curvature])
        at = eye + (solid - eye) * eye[2] / (eye[2] - solid[2])
        assert seen == pytest.approx(at[:2], abs=1e-9)
    assert bend.radius_mm == pytest.approx(150.0)


def test_the_cylinder_nearest_to_a_surface_has_its_larger_curvature() -> None:
    way = 0.6
    turn = np.array([(np.cos(way), -np.sin(way)), (np.sin(way), np.cos(way))])
    matrix = turn @ np.diag([-0.008, 0.002]) @ turn.T
    bend = bend_of_tensor(
        np.array([matrix[0, 0], 2 * matrix[0, 1], matrix[1, 1]]), np.array([1.0, 2.0, 300.0])
    )
    assert bend.curvature == pytest.approx(-0.008)
    assert np.abs(np.sin(bend.direction - way)) < 1e-9
    assert bend.eye == (1.0, 2.0, 300.0)
    turned = bend.turned(0.001, 0.2)
    assert (turned.curvature, turned.direction) == pytest.approx((-0.007, bend.direction + 0.2))


def lobe(
    u: float, v: float = 0.0, *, wide: float = 2.0, high: float | None = None, shape: str = "round"
) -> Mark:
    return Mark((u, v), (0.03, 0.04), (wide, wide if high is None else high), shape, None, True)


@pytest.mark.parametrize(
    ("one", "other", "joined"),
    [
        (lobe(0), lobe(2.1), True),
        (lobe(0), lobe(3.1), True),  # 1.1 mm between the edges: 0.55 of the larger width
        (lobe(0), lobe(3.3), False),
        (lobe(0), lobe(0, 3.1), True),
        (lobe(0), lobe(1.4, wide=0.72), True),
        (lobe(0), lobe(1.4, wide=0.68), False),  # a spark
        (lobe(0), lobe(2.4, wide=1.0, high=4.0), True),
        (lobe(0), lobe(2.1, shape="stretched"), True),
        (lobe(0), lobe(2.1, shape="cut-off"), False),
        (lobe(0, shape="double"), lobe(2.1), False),
    ],
)
def test_two_marks_that_nearly_touch_are_one_double_mark(one: Mark, other: Mark, joined: bool) -> None:
    third = lobe(9.0)
    for pair in ([one, other], [other, one]):
        found = join_lobes([*pair, third])
        assert (len(found) == 2) is joined
        assert found[-1] is third
    assert join_lobes([one]) == [one]


def test_a_double_mark_lies_at_the_centroid_of_its_lobes_and_is_as_wide_as_both() -> None:
    """Lobes of 2 and 1 mm: areas four to one. Second moments: each lobe's own, and its distance squared."""
    found, _ = join_lobes([lobe(0.0, wide=2.0), lobe(1.5, wide=1.0), lobe(9.0, wide=9.0)])
    share = np.array([0.8, 0.2])
    centre = share @ [0.0, 1.5]
    own = share @ [(2 / 4) ** 2, (1 / 4) ** 2]
    between = share @ [centre**2, (1.5 - centre) ** 2]
    assert (found.shape, found.new) == ("double", True)
    assert found.offset_mm == pytest.approx((centre, 0.0))
    assert found.width_mm == pytest.approx((4 * np.sqrt(own + between), 4 * np.sqrt(own)))
    assert found.lobes_mm == ((0.0, 0.0), (1.5, 0.0))


@pytest.mark.parametrize(
    ("marks", "left"),
    [
        ([lobe(0), lobe(2.2)], ["double"]),
        ([lobe(0), lobe(3.1)], ["double"]),
        ([lobe(0), lobe(3.3)], ["round", "round"]),
        ([lobe(0), lobe(2.0, wide=1.6)], ["double"]),
        ([lobe(0), lobe(2.0, wide=1.4)], ["round", "round"]),  # of unequal size
        ([lobe(1.1), lobe(-1.1), lobe(0, 1.1), lobe(0, -1.1)], ["round"]),
        ([lobe(1.1), lobe(-1.1), lobe(0, 1.1), lobe(0, -1.1), lobe(9.0)], ["round", "round"]),
        ([lobe(0)], ["round"]),
    ],
)
def test_lobes_of_one_beam_lie_in_a_ring(marks: list[Mark], left: list[str]) -> None:
    assert [mark.shape for mark in join_pattern(marks)] == left


def test_four_lobes_are_one_round_mark_in_their_middle() -> None:
    found = join_pattern([lobe(2.1, 5), lobe(-0.1, 5), lobe(1, 6.1), lobe(1, 3.9)])[0]
    assert found.offset_mm == pytest.approx((1.0, 5.0))
    assert found.width_mm == pytest.approx((4 * np.sqrt(0.25 + 1.1**2 / 2),) * 2)
    assert found.lobes_mm is None


@pytest.mark.parametrize(
    "marks",
    [[lobe(0.0, wide=2.0), lobe(1.5, wide=1.7)], [lobe(1.1), lobe(-1.1), lobe(0, 1.1), lobe(0, -1.1)]],
)
def test_the_sigma_of_joined_lobes_is_that_of_their_centroid(marks: list[Mark]) -> None:
    """The lobes' places drawn with their sigmas, their radii with 1/√2 of it: the spread of the centroid."""
    rng, own = np.random.default_rng(8), np.array([0.03, 0.04])
    centres = np.array([mark.offset_mm for mark in marks]) + own * rng.standard_normal((20000, len(marks), 2))
    radius = np.array([mark.width_mm[0] / 2 for mark in marks])
    sd = np.sqrt((own**2).mean() / 2)
    areas = (radius + sd * rng.standard_normal((20000, len(marks)))) ** 2
    share = areas / areas.sum(axis=1, keepdims=True)
    middle = (share[:, :, None] * centres).sum(axis=1)
    found = join_pattern(marks)[0]
    assert found.shape in ("double", "round")
    # the centroid's sum of shares is one, which takes away a little of what each weight alone would do
    assert found.sigma_mm == pytest.approx(middle.std(axis=0), rel=0.05)


@pytest.mark.parametrize("gone", range(4))
def test_three_of_four_lobes_tell_where_the_middle_is(gone: int) -> None:
    corners = [lobe(2.1, 5), lobe(-0.1, 5), lobe(1, 6.1), lobe(1, 3.9)]
    for marks in (corners, [*corners[:gone], *corners[gone + 1 :]]):
        for found in (join_pattern(marks), join_lobes(marks)):  # of one picture, of two
            assert [mark.shape for mark in found] == ["round"]
            assert found[0].offset_mm == pytest.approx((1.0, 5.0))


def test_three_marks_that_are_no_corner_of_a_square_stay_apart() -> None:
    # equal sides; a row; another size; a long corner
    for third in (lobe(1.1, 1.9), lobe(4.4), lobe(0.0, 2.2, wide=1.4), lobe(0.0, 3.1)):
        assert "round" not in [mark.shape for mark in join_pattern([lobe(0.0), lobe(2.2), third])[:1]]


@pytest.mark.parametrize("contrast", [0.2, 10.0, 40.0])
def test_an_unseen_pulse_lies_as_near_to_the_old_mark_as_its_crescent_is_unseen(contrast: float) -> None:
    old = lobe(3.0, -1.0, wide=4.0, high=2.25)
    found = on_top((old, lobe(3.6, -1.7)), contrast, least_noticed=5.0)
    assert found is not None
    crescent = 5.0 * 0.6 * np.sqrt(2 * np.pi) / max(contrast, 1.0)
    radius = np.sqrt(4.0 * 2.25) / 2
    expected = [np.sqrt(own**2 + crescent**2 + (0.1 * radius) ** 2) for own in (0.03, 0.04)]
    assert found.sigma_mm == pytest.approx(expected)
    assert (found.offset_mm, found.width_mm, found.new, found.shape) == (
        (3.0, -1.0),
        (4.0, 2.25),
        True,
        "round",
    )


def test_where_old_marks_lie_apart_or_there_is_none_nothing_tells_which_it_was() -> None:
    assert on_top((), 40.0) is None
    assert on_top((lobe(0.0), lobe(0.9)), 40.0) is not None
    assert on_top((lobe(0.0), lobe(0.3), lobe(1.1)), 40.0) is None


def test_tape_that_stands_off_is_found_as_the_prior_and_two_views_say() -> None:
    """A height has a prior of 0.15 mm; two slopes see it as a shift with a variance (Bayes, one number)."""
    now, then = np.array([0.3, -0.1]), np.array([-0.1, 0.2])
    between, doubt = now - then, np.array([(4e-4, 1e-4), (1e-4, 2e-4)])
    for height in (0.1, -0.2):
        away, spread = stand_off(height * between, doubt, now, then)
        variance = between @ doubt @ between / (between @ between) ** 2
        posterior = 1 / (1 / 0.15**2 + 1 / variance)
        np.testing.assert_allclose(away, posterior / variance * height * now)
        np.testing.assert_allclose(spread, posterior * np.outer(now, now))
    nothing = stand_off(np.array([0.1, 0.1]), doubt, now, now + np.array([0.9 * BY_HAND, 0.0]))
    assert not nothing[0].any() and not nothing[1].any()
    assert stand_off(np.array([0.1, 0.1]), doubt, now, now + np.array([1.1 * BY_HAND, 0.0]))[1].any()
    far, wide = stand_off(3.0 * between, doubt, now, then)  # no tape is 3 mm off the plane: light has moved
    assert np.abs(far).max() < 0.15 and np.trace(wide) > 0.1 * 0.15**2 * (now @ now)


def test_the_line_of_sight_runs_from_the_point_to_the_camera() -> None:
    focal, tilt, away = 1536.0, 0.5, 300.0
    pose = np.array([(1, 0, 0), (0, -np.cos(tilt), 0), (0, -np.sin(tilt), away)])
    homography = np.array([(1, 0, 959.5), (0, 1, 539.5), (0, 0, 1.0)]) @ np.diag([focal, focal, 1.0]) @ pose
    view = CardView(4, 0.1, 5.0, 28.6, homography / homography[2, 2])
    eye = np.array([0.0, np.sin(tilt), np.cos(tilt)]) * away
    for at in (np.array([0.0, 0.0]), np.array([5.0, -8.0])):
        expected = (eye[:2] - at) / eye[2]
        np.testing.assert_allclose(sight_slope(view, (1080, 1920), at), expected, atol=0.05)


@pytest.mark.parametrize("power", [0.7, 1.4])
def test_a_power_of_the_light_is_found_and_given_back(power: float) -> None:
    rng = np.random.default_rng(7)
    tape = np.full((4000, 3), 200.0)
    expected = tape * np.exp(rng.uniform(-1.5, 0.2, (4000, 1)))
    seen = tape * (expected / tape) ** power
    tone = tone_between(seen, expected, tape)
    back = tone.of(expected.reshape(40, 100, 3), tape.reshape(40, 100, 3)).reshape(-1, 3)
    np.testing.assert_allclose(back, seen, rtol=0.06)
    assert (np.diff(tone.at + tone.added, axis=1) >= -1e-9).all()  # never falls
    np.testing.assert_array_equal(SAME.of(expected[None], tape[None])[0], expected.astype(np.float32))
    same = tone_between(expected, expected, tape)
    assert np.abs(same.added).max() < 1e-9


def test_a_new_mark_among_the_tape_changes_no_tone() -> None:
    tape = np.full((4000, 3), 200.0)
    expected = tape * np.exp(np.random.default_rng(8).uniform(-1.0, 0.0, (4000, 1)))
    seen = expected.copy()
    seen[:200] *= 0.3
    assert np.abs(tone_between(seen, expected, tape).added).max() < 0.1
