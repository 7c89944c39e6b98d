"""Shapes named from drawn outlines; the uncertainty from a mark's edge and from its card."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vision import edges, headers, measure, picture, shape
from vision.bend import Bend
from vision.card import STATIONS, Boxes, Ring, Words
from vision.card_sizes import card_shapes
from vision.errors import PictureRefused
from vision.fit import Spot
from vision.grid import COLUMNS, PITCH_MM, ROWS, grid_markers
from vision.homography import project
from vision.reading import CardView, Mark, NoReading, Reading
from vision.roughness import first_harmonic
from vision.window import Grid, flatten, flatten_view, window_grid

Array = NDArray[Any]


def circle(u: float = 0.0, v: float = 0.0, radius: float = 1.0, count: int = 360) -> Array:
    way = np.arange(count) * 2 * np.pi / count
    return np.column_stack([u + radius * np.cos(way), v + radius * np.sin(way)])


def cut(
    depth: float, towards_deg: float, at: tuple[float, float] = (3.0, -2.0), radius: float = 2.0
) -> Array:
    """A circle with a side cut off by a straight line, the depth as a share of its diameter."""
    way = np.radians(towards_deg)
    side = np.array([np.cos(way), np.sin(way)])
    points = circle(radius=radius, count=144)
    reach = points @ side
    line = radius * (1 - 2 * depth)
    points = points - np.maximum(reach - line, 0.0)[:, None] * side
    return points + at


def pair(apart: float, small: float = 1.0) -> Array:
    """The outline of two circles one over the other, side by side along u."""
    one, other = circle(-apart / 2), circle(apart / 2, radius=small)
    outer = np.hypot(*(one - (apart / 2, 0.0)).T) >= small
    second = np.hypot(*np.add(other, (apart / 2, 0.0)).T) >= 1.0
    return 1.5 * np.vstack([one[outer], other[second]]) + (1.0, 2.0)


@pytest.mark.parametrize(("ratio", "name"), [(1.0, "round"), (1.24, "round"), (1.26, "stretched")])
def test_a_whole_mark_is_round_or_stretched_by_its_oval(ratio: float, name: str) -> None:
    found = shape.name_shape(circle() * (ratio, 1.0) * 2.0 + (4.0, 5.0), ratio)
    assert (found.name, found.flat_side_deg, found.lobes, found.inside) == (name, None, None, None)
    assert shape.name_shape(cut(0.3, 0.0)[:11], ratio).name == name  # too few points to say more


@pytest.mark.parametrize("towards_deg", [0.0, 80.0, 190.0, 300.0])
@pytest.mark.parametrize("depth", [0.2, 0.35])
def test_a_cut_off_mark_tells_its_flat_side_and_its_own_middle(towards_deg: float, depth: float) -> None:
    found = shape.name_shape(cut(depth, towards_deg), 1.2)
    assert found.name == "cut-off" and found.flat_side_deg is not None and found.inside is not None
    off = (found.flat_side_deg - towards_deg + 180) % 360 - 180
    assert off == pytest.approx(0.0, abs=3.0)
    box = (np.array([0.5, -4.5]), np.array([5.5, 0.5]))
    centre, long_mm, short_mm = shape.region_moments(found.inside, box)
    grid = np.stack(np.meshgrid(np.linspace(-2, 2, 801), np.linspace(-2, 2, 801)), axis=-1).reshape(-1, 2)
    way = np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg))])
    kept = grid[(np.hypot(*grid.T) < 2.0) & (grid @ way < 2.0 * (1 - 2 * depth))]
    assert centre == pytest.approx(np.add(kept.mean(0), (3.0, -2.0)), abs=0.05)
    spread = 4 * np.sqrt(np.linalg.eigvalsh(np.cov(kept.T)))
    assert (short_mm, long_mm) == pytest.approx(spread, rel=0.03)


def test_a_shallow_cut_is_a_round_mark() -> None:
    assert shape.name_shape(cut(0.05, 30.0), 1.05).name == "round"


@pytest.mark.parametrize(("apart", "small"), [(1.2, 1.0), (1.5, 1.0), (1.3, 0.7)])
def test_two_marks_one_over_the_other_tell_both_middles(apart: float, small: float) -> None:
    found = shape.name_shape(pair(apart, small), 1.5)
    assert found.name == "double" and found.lobes is not None and found.inside is not None
    lobes = sorted(found.lobes, key=lambda lobe: float(lobe[0]))
    for lobe, u in zip(lobes, (-apart / 2, apart / 2), strict=True):
        assert lobe == pytest.approx((1.0 + 1.5 * u, 2.0), abs=0.12)
    u, v = np.array([[1.0, 1.0 + 0.75 * apart, 9.0]]), np.array([[2.0, 2.0, 2.0]])
    assert found.inside(u, v).tolist() == [[True, True, False]]
    assert shape.name_shape(pair(apart, small), 1.1).name != "double"  # no longer than a round mark


@pytest.mark.parametrize("pitch", [0.1, 0.25])
def test_an_outline_lies_at_half_height_whatever_the_grid(pitch: float) -> None:
    grid = Grid((2.0, -1.0), pitch, 2 * int(3.5 / pitch) + 1)
    u, v = np.meshgrid(*grid.axes_mm())
    height = 1 / (1 + np.exp(12 * (np.hypot(u - 2.3, v + 0.8) - 1.5)))
    near = np.linalg.inv(grid.to_mm) @ (2.3, -0.8, 1.0)
    points = shape.outline_points(height, grid.to_mm, (near[0], near[1]))
    assert np.hypot(*(points - (2.3, -0.8)).T) == pytest.approx(
        np.full(len(points), 1.5), abs=0.6 * pitch + 0.03
    )
    assert points.mean(0) == pytest.approx((2.3, -0.8), abs=0.05)
    two = np.maximum(height, 1.0 * (np.hypot(u - 0.0, v + 3.5) < 0.8))
    kept = shape.outline_points(two, grid.to_mm, (near[0], near[1]))
    assert kept.mean(0) == pytest.approx((2.3, -0.8), abs=0.05)  # the one that holds the place
    assert len(shape.outline_points(0 * height, grid.to_mm, (0.0, 0.0))) == 0


def spot_at(
    u: float = 0.0, v: float = 0.0, radius: float = 2.0, height: float = 30.0, count: int = 1
) -> Spot:
    return Spot(
        np.array([u, v]),
        np.eye(2) * 9.0 / radius**2,
        9.0,
        height,
        np.zeros(3),
        np.eye(2) * 1e-4,
        np.zeros(count),
        0.0,
        np.zeros((2, count)),
    )


def test_what_lies_behind_the_windows_edge_is_a_share_of_the_mark() -> None:
    step = 0.05
    v, u = np.mgrid[-30:30:step, -30:30:step]
    inside = spot_at(0.0, 0.0)
    assert measure.hidden_share(inside, u.ravel(), v.ravel()) == 0.0
    limit = measure.INSIDE_MM
    half = measure.hidden_share(spot_at(limit, 0.0), u.ravel(), v.ravel())
    assert half == pytest.approx(0.5, abs=0.03)  # the edge is nearly straight
    assert measure.hidden_share(spot_at(limit + 3.0, 0.0), u.ravel(), v.ravel()) == 1.0
    assert measure.hidden_share(spot_at(99.0, 0.0), u.ravel(), v.ravel()) == 0.0


def test_points_that_no_disc_explains_lose_their_weight_but_not_the_edge() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-4, 4, (2, 3000))
    rest = rng.normal(0, 1.0, 3000)
    spot, weight = replace(spot_at(), rest=rest), np.ones(3000)
    np.testing.assert_array_equal(measure.trust(spot, x, y, weight), 1.0)
    hole = np.hypot(x, y) < 0.8
    spoilt = replace(spot, rest=np.where(hole, 40.0, rest))
    trusted = measure.trust(spoilt, x, y, weight)
    assert (trusted[hole] == 0.0).all()
    edge = np.abs(np.hypot(x, y) / 2.0 - 1) < 0.25
    np.testing.assert_array_equal(trusted[edge], 1.0)
    plain = ~hole & ~edge & (np.abs(np.hypot(x, y) / 2.0 - 1) > 0.35)
    spread = 1.4826 * np.median(np.abs(spoilt.rest))
    np.testing.assert_allclose(
        trusted[plain], np.clip(1 - (rest[plain] / (6 * spread)) ** 2, 0, None) ** 2, atol=1e-5
    )


@pytest.mark.parametrize("noise", [0.0, 0.5])
def test_a_rough_edge_moves_the_first_harmonic_at_least_as_much_as_the_next(noise: float) -> None:
    """White roughness gives all harmonics alike; a smooth one gives the first more than the third."""
    flat = first_harmonic(np.full(14, 4.0 + noise), noise, 40.0)
    assert flat > 2.0
    steep = np.array([40.0, 16.0, 4.0, 1.0, 0.2, *[0.1] * 9])
    assert first_harmonic(steep + noise, noise, 40.0) > 2 * flat
    twice = first_harmonic(2 * np.full(14, 4.0 + noise), 2 * noise, 40.0 * np.sqrt(2))
    assert twice == pytest.approx(2 * flat, rel=1e-6)


def test_a_cards_own_uncertainty_is_that_of_its_eight_numbers() -> None:
    rng = np.random.default_rng(4)
    root = rng.standard_normal((8, 8)) * 1e-3
    view = CardView(4, 0.1, 9.0, 0.0, np.eye(3), covariance=root @ root.T)
    for at in (np.array([0.0, 0.0]), np.array([12.0, -7.0])):
        x, y = at / 50.0
        terms = np.array([(x, y, 1, 0, 0, 0, -x * x, -x * y), (0, 0, 0, x, y, 1, -x * y, -y * y)])
        expected = 50.0 * np.sqrt(np.diag(terms @ root @ root.T @ terms.T))
        np.testing.assert_allclose(measure.card_sigma(view, at), expected)
        np.testing.assert_allclose(edges.point_terms(at[None])[0], terms)
    assert not measure.card_sigma(CardView(4, 0.1, 9.0, 0.0, np.eye(3)), np.zeros(2)).any()


def test_the_eight_numbers_are_changes_of_the_homography() -> None:
    """A card point read by a homography that is off moves by the terms, to first order."""
    rng = np.random.default_rng(5)
    points = rng.uniform(-30, 30, (12, 2))
    change = 1e-6 * rng.standard_normal(8)
    off = np.eye(3) + np.append(change, 0.0).reshape(3, 3)
    scaled = np.diag([50.0, 50.0, 1.0]) @ off @ np.diag([1 / 50.0, 1 / 50.0, 1.0])
    moved = project(scaled, points) - points
    np.testing.assert_allclose(50.0 * edges.point_terms(points) @ change, moved, atol=1e-9)


def test_edges_are_walked_with_their_outside_on_one_side() -> None:
    square = np.array([(-9.0, 9.0), (9.0, 9.0), (9.0, -9.0), (-9.0, -9.0)])
    points, outward = edges._edge_points([square, np.add(square, (40.0, 0.0))])
    middles = np.repeat([(0.0, 0.0), (40.0, 0.0)], len(points) // 2, axis=0)
    assert (((points - middles) * outward).sum(1) == 9.0).all()  # as far as the marker is half wide
    np.testing.assert_allclose(np.linalg.norm(outward, axis=1), 1.0)
    along = np.abs(points - middles)[np.abs(outward[:, ::-1]) > 0.5]
    assert along.max() == pytest.approx(0.8 * 9.0)  # the corners are left out


def test_light_that_falls_off_along_an_edge_is_a_straight_line() -> None:
    ramp = np.tile(np.linspace(3.0, 5.0, 24), 4)
    np.testing.assert_allclose(edges._smooth_along(ramp), ramp)
    noisy = ramp + np.tile([0.5, -0.5], 48)
    assert np.abs(edges._smooth_along(noisy) - ramp).max() < 0.1


def test_a_lens_bends_the_third_power_of_the_way_from_the_middle() -> None:
    middle = np.array([300.0, 400.0])
    corner, half = 2 * middle, 1.5 * middle
    np.testing.assert_allclose(
        edges._radial(np.array([corner, half, middle]), middle), [(300, 400), (18.75 * 2, 25 * 2), (0, 0)]
    )


@pytest.mark.parametrize("pitch", [0.1, 0.3])
def test_a_grids_points_are_where_its_map_says(pitch: float) -> None:
    grid = window_grid(pitch)
    assert grid.side % 2 == 1 and (grid.side - 1) * pitch >= 46.0 - 2 * pitch
    for some in (grid, Grid((3.0, -2.0), pitch, 21)):
        u, v = some.axes_mm()
        for col, row in ((0, 0), (some.side - 1, 0), (2, some.side - 1)):
            assert project(some.to_mm, np.array([(col, row)], float))[0] == pytest.approx((u[col], v[row]))
            assert some.radius_mm()[row, col] == pytest.approx(np.hypot(u[col], v[row]))
        assert (u[1] - u[0], v[1] - v[0]) == pytest.approx((pitch, -pitch))
        assert (u.mean(), v.mean()) == pytest.approx(some.centre_mm)


def test_the_calibration_grid_has_thirty_markers_in_rows_about_its_middle() -> None:
    markers = grid_markers()
    assert sorted(markers) == list(range(16, 46))
    middles = np.array([markers[i].mean(0) for i in sorted(markers)])
    assert middles.mean(0) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert middles[0] == pytest.approx((-72.0, 90.0)) and middles[1] - middles[0] == pytest.approx(
        (PITCH_MM, 0.0)
    )
    assert middles[COLUMNS] - middles[0] == pytest.approx((0.0, -PITCH_MM)) and len(middles) == COLUMNS * ROWS
    for corners in markers.values():
        assert corners.max(0) - corners.min(0) == pytest.approx((27.0, 27.0))


def test_no_two_things_that_are_printed_lie_on_each_other_and_the_words_on_no_marker() -> None:
    for size in ("small", "standard", "large"):
        for station in STATIONS:
            shapes = card_shapes(station, size)
            places = [words.at_mm for words in shapes if isinstance(words, Words)]
            assert len(set(places)) == len(places) > 3
            for words in (one for one in shapes if isinstance(one, Words)):
                u, v = words.at_mm
                for other in shapes:
                    if isinstance(other, Boxes):
                        left, bottom, right, top = other.sides_mm.T
                        assert not ((left < u) & (u < right) & (bottom < v) & (v < top)).any()
                    if isinstance(other, Ring):
                        assert np.hypot(u, v) > other.radius_mm


MARK = Mark(
    (1.23456, -2.0), (0.012345, 0.02), (4.0, 3.0), "cut-off", 12.345, True, ((1.0, 2.0), (3.00004, 4.0))
)


def test_a_reading_is_plain_values_of_micrometres() -> None:
    view = CardView(3, 0.12345, 9.87654, 12.345, np.eye(3))
    values = Reading("nozzle", (MARK,), view, ("blurred",)).as_json()
    assert values == {
        "station": "nozzle",
        "marks": [
            {
                "offset_mm": [1.2346, -2.0],
                "sigma_mm": [0.0123, 0.02],
                "width_mm": [4.0, 3.0],
                "shape": "cut-off",
                "flat_side_deg": 12.3,
                "new": True,
                "lobes_mm": [[1.0, 2.0], [3.0, 4.0]],
            }
        ],
        "card": {"markers_seen": 3, "rms_px": 0.123, "px_per_mm": 9.877, "tilt_deg": 12.3},
        "warnings": ["blurred"],
    }
    assert "lobes_mm" not in Mark((0, 0), (0, 0), (1, 1), "round").as_json()
    large = CardView(4, 0.1, 9.0, 1.0, np.eye(3), size="large", unit_mm=2.0)
    assert large.as_json()["size"] == "large"
    np.testing.assert_array_equal(large.units_to_px, np.diag([2.0, 2.0, 1.0]))
    assert NoReading("why", "no-card").on_top is None


def png(**changes: Any) -> headers.Header:
    base: dict[str, Any] = {"kind": "png", "width": 1000, "height": 800, "complete": True}
    return headers.Header(**(base | changes))


@pytest.mark.parametrize(
    ("header", "result", "decoding"),
    [
        (png(), 2_400_000, 2_400_000),
        (png(alpha=True), 2_400_000, 8 * 800_000),
        (png(alpha=True, bits=16), 2_400_000, 16 * 800_000),
        (png(width=4000, height=4000), 48_000_000, 48_000_000),
        (png(width=5001, height=4001), 3 * 2501 * 2001, 3 * 5001 * 4001 + 3 * 2501 * 2001),
        (png(width=5001, height=4001, alpha=True), 3 * 5001 * 4001, 8 * 5001 * 4001),
        (png(kind="jpeg"), 2_400_000, 2_400_000),
        (png(kind="jpeg", scans=2, samples=1.5), 2_400_000, 2_400_000 + 3 * 800_000),
        (png(kind="jpeg", width=5000, height=4000), 15_000_000, 30_000_000),
        (png(kind="jpeg", width=5000, height=4000, scans=9), 15_000_000, 30_000_000 + 6 * 20_000_000),
    ],
)
def test_what_decoding_takes_is_told_beforehand(header: headers.Header, result: int, decoding: int) -> None:
    assert picture.result_bytes(header) == result
    assert picture.decode_bytes(header) == decoding


@pytest.mark.parametrize(
    ("header", "said"),
    [
        (png(width=0), "no pixels"),
        (png(height=0), "no pixels"),
        (png(width=1001), "1001 × 800 is 1 megapixels: at most 0.8"),
        (png(animated=True), "animated"),
    ],
)
def test_a_header_is_refused_for_what_it_tells(header: headers.Header, said: str) -> None:
    with pytest.raises(PictureRefused, match=said):
        picture._check(header, 800_000)


def test_so_many_bytes_are_held_together_and_no_more() -> None:
    budget = picture.Budget(100)
    with budget.take(60), budget.take(40):
        assert budget._free == 0
    with budget.take(1000):  # a larger request waits for all of it
        assert budget._free == 0
    assert budget._free == 100


@pytest.mark.parametrize("px_per_mm", [10.0, 30.0])
@pytest.mark.parametrize("at", [(0.0, 0.0), (3.0, -2.0)])
def test_a_window_laid_flat_shows_the_picture_itself_and_finer_pixels_averaged(
    px_per_mm: float, at: tuple[float, float]
) -> None:
    """A picture that grows evenly, and noise: what a grid of the pixels' own pitch shows is each of them."""
    rng = np.random.default_rng(6)
    noise = rng.integers(0, 40, (900, 900, 3)).astype(np.uint8)
    homography = np.array([(px_per_mm, 0, 450.0), (0, -px_per_mm, 450.0), (0, 0, 1.0)])
    grid = Grid(at, 0.1, 101)
    flat = flatten(noise, homography, grid)
    col, row = project(homography, np.array([at]))[0]
    if px_per_mm == 10.0:
        half = (grid.side - 1) // 2
        part = noise[round(row) - half : round(row) + half + 1, round(col) - half : round(col) + half + 1]
        np.testing.assert_allclose(flat, part, atol=0.5)
    else:
        assert flat.std() == pytest.approx(noise.std() / 3, rel=0.45)  # nine pixels in one, or near it
    shift = np.zeros((2, 101, 101))
    shift[0], shift[1] = 0.5, -0.3
    moved = flatten(noise, homography, grid, shift)
    other = flatten(noise, homography, Grid((at[0] + 0.5, at[1] - 0.3), 0.1, 101))
    assert np.abs(moved - other).mean() < (0.5 if px_per_mm == 10.0 else 3.0)
    view = CardView(4, 0.1, px_per_mm, 0.0, homography)
    np.testing.assert_array_equal(flatten_view(noise, view, grid), flat)
    bent = replace(view, bend=Bend(1e-9, 0.3, (0.0, 0.0, 300.0)))
    assert np.abs(flatten_view(noise, bent, grid) - flat).mean() < (0.5 if px_per_mm == 10.0 else 3.0)
