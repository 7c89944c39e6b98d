"""Figures fitted to outlines: what each leaves of known outlines, and which of them names the shape."""

from __future__ import annotations

import numpy as np
import pytest

from vision import shape
from vision.shape import Figure

WAY = np.arange(144) * 2 * np.pi / 144
SIDES = np.column_stack([np.cos(WAY), np.sin(WAY)])


def wavy(number, size, radii=(1.0, 1.0)):
    """A circle, or an ellipse, whose distance from the middle goes up and down so many times."""
    return SIDES * radii * (1 + size * np.cos(number * WAY))[:, None]


@pytest.mark.parametrize("number", [3, 4, 6])
@pytest.mark.parametrize("size", [0.01, 0.05])
def test_an_oval_leaves_the_third_and_higher_harmonics(number, size):
    """The root mean square of a cosine is its height over the root of two."""
    assert shape._oval_rms(wavy(number, size)) == pytest.approx(size / np.sqrt(2), rel=0.03)


@pytest.mark.parametrize("turn", [0.0, 0.4, 2.0])
def test_an_oval_follows_an_ellipse_that_lies_anyhow(turn):
    turned = np.array([(np.cos(turn), -np.sin(turn)), (np.sin(turn), np.cos(turn))])
    ellipse = SIDES * (1.15, 0.87) @ turned.T + (0.05, -0.04)
    assert shape._oval_rms(ellipse) < 2e-4


@pytest.mark.parametrize("out", [1.1, 0.8])
def test_a_fit_of_distances_is_that_of_least_squares(out):
    """Of a circle: with one parameter, the radius, it is the mean distance."""
    points = SIDES * np.where(SIDES[:, 1] > 0, out, 1.0)[:, None]

    def distance(p, at):
        return np.linalg.norm(at, axis=1) - p[0]

    (radius,), rms = shape._least_squares(distance, np.array([3.0]), points)
    assert radius == pytest.approx((1.0 + out) / 2, abs=1e-4)
    assert rms == pytest.approx(abs(1.0 - out) / 2, rel=1e-3)


def test_a_fit_ends_when_it_gains_nothing_and_after_twelve_rounds_at_most():
    calls = []

    def still(p, at):
        calls.append(p)
        return at[:, 0] - p[0]

    shape._least_squares(still, np.array([0.5]), SIDES)
    assert len(calls) <= 1 + 2 * 3
    calls.clear()

    def falling(p, at):  # ever less is left, by as large a share
        calls.append(p)
        return np.full(len(at), np.exp(-len(calls)))

    shape._least_squares(falling, np.array([0.5]), SIDES)
    assert len(calls) == 1 + 2 * 12


def cut_circle(line, towards):
    """A circle of radius 1 whose points beyond a line are moved onto it."""
    side = np.array([np.cos(towards), np.sin(towards)])
    beyond = np.maximum(SIDES @ side - line, 0.0)
    return SIDES - beyond[:, None] * side


@pytest.mark.parametrize("towards", np.radians([0.0, 15.0, 100.0, 200.0, 345.0]))
@pytest.mark.parametrize("line", [0.6, 0.0])
def test_a_cut_circle_is_found_whichever_side_is_missing(towards, line):
    points = cut_circle(line, towards)
    middle = points.mean(axis=0)
    radius = float(np.sqrt(points.var(axis=0).sum()))
    cut, rms = shape._fit_cut((points - middle) / radius)
    assert rms < 0.003
    assert radius * cut[:2] + middle == pytest.approx((0.0, 0.0), abs=0.02)
    way = np.array([np.cos(cut[3]), np.sin(cut[3])])
    assert way @ (np.cos(towards), np.sin(towards)) > 0.999
    assert radius * cut[2] == pytest.approx(1.0, abs=0.02)
    assert way @ (radius * (cut[:2] + cut[4] * way) + middle) == pytest.approx(line, abs=0.02)


def lobed(radii, apart, turn):
    """The outline of two circles whose middles lie so far apart in a direction, about their mean place."""
    side = np.array([np.cos(turn), np.sin(turn)])
    middles = np.array([side, -side]) * apart / 2
    own = [radius * SIDES + at for radius, at in zip(radii, middles, strict=True)]
    outer = [np.linalg.norm(own[i] - middles[1 - i], axis=1) >= radii[1 - i] for i in (0, 1)]
    return np.vstack([points[seen] for points, seen in zip(own, outer, strict=True)]), middles


@pytest.mark.parametrize("turn", [0.0, 0.7, 1.6, 2.5])
@pytest.mark.parametrize("radii", [(0.7, 0.7), (0.8, 0.5), (0.5, 0.8)])
def test_two_circles_are_found_with_either_the_larger(turn, radii):
    points, middles = lobed(radii, 0.9, turn)
    middle = points.mean(axis=0)
    pair, rms = shape._fit_pair(points - middle)
    assert rms < 0.003
    lobes = sorted([(*pair[:2], pair[2]), (*pair[3:5], pair[5])])
    wanted = sorted((*(at - middle), radius) for at, radius in zip(middles, radii, strict=True))
    assert np.array(lobes) == pytest.approx(np.array(wanted), abs=0.02)


CUT = np.array([0.1, -0.2, 1.0, np.radians(-30.0), 0.5])
PAIR = np.array([0.5, 0.0, 0.7, -0.5, 0.0, 0.6])
WIDE, MIDDLE = 3.0, np.array([4.0, -5.0])


def named(monkeypatch, oval=0.1, cut=0.05, pair=0.05, *, ratio=1.2, cut_is=CUT, pair_is=PAIR) -> Figure:
    """The shape of an outline about (4, -5), 3 mm from it, whose figures leave so much."""

    def always(answer):
        def fit(points):  # about its middle, one radius wide
            assert points.mean(axis=0) == pytest.approx((0.0, 0.0), abs=1e-12)
            assert (points**2).sum(axis=1).mean() == pytest.approx(1.0)
            return answer

        return fit

    monkeypatch.setattr(shape, "_oval_rms", always(oval))
    monkeypatch.setattr(shape, "_fit_cut", always((cut_is, cut)))
    monkeypatch.setattr(shape, "_fit_pair", always((pair_is, pair)))
    return shape.name_shape(WIDE * SIDES + MIDDLE, ratio)


def cut_by(depth):
    return np.array([0.0, 0.0, 1.2, 0.0, 1.2 * (1 - 2 * depth)])


def apart_by(distance, radii):
    return np.array([0.0, 0.6 * distance, radii[0], 0.8 * distance, 0.0, radii[1]])


@pytest.mark.parametrize(
    ("how", "name"),
    [
        ({"oval": 0.012, "cut": 0.001}, "cut-off"),
        ({"oval": 0.011, "cut": 0.001}, "round"),  # so near to an oval needs no other figure
        ({"cut": 0.077, "pair": 0.09}, "cut-off"),
        ({"oval": 1.0, "cut": 0.78, "pair": 0.9}, "cut-off"),
        ({"cut": 0.079, "pair": 0.09}, "round"),  # another must leave clearly less
        ({"cut": 0.09, "pair": 0.077}, "double"),
        ({"cut": 0.09, "pair": 0.079}, "round"),
        ({"cut": 0.05, "pair": 0.05}, "cut-off"),  # the simpler one
        ({"cut": 0.05, "pair": 0.049}, "double"),
        ({"cut_is": cut_by(0.105)}, "cut-off"),
        ({"cut_is": cut_by(0.095)}, "round"),  # a flat side so shallow is none
        ({"cut_is": cut_by(0.095), "pair": 0.04}, "double"),
        ({"cut_is": cut_by(0.095), "pair": 0.06}, "round"),  # two circles leave more than that cut
        ({"pair": 0.04, "ratio": 1.16}, "double"),
        ({"pair": 0.04, "ratio": 1.14}, "round"),  # two lobes make a longer mark
        ({"pair": 0.04, "pair_is": apart_by(0.49, (0.8, 0.5))}, "double"),
        ({"pair": 0.04, "pair_is": apart_by(0.47, (0.8, 0.5))}, "round"),  # 0.6 of the larger one
        ({"pair": 0.04, "pair_is": apart_by(0.49, (0.5, 0.8))}, "double"),
        ({"pair": 0.04, "pair_is": apart_by(0.47, (0.5, 0.8))}, "round"),
        ({"cut": 0.09, "pair": 0.09, "ratio": 1.26}, "stretched"),
        ({"cut": 0.09, "pair": 0.09, "ratio": 1.25}, "round"),
    ],
)
def test_the_simplest_figure_that_fits_names_the_shape(monkeypatch, how, name):
    assert named(monkeypatch, **how).name == name


def test_fewer_than_twelve_points_tell_no_figure(monkeypatch):
    monkeypatch.setattr(shape, "_oval_rms", lambda _: 1 / 0)
    assert shape.name_shape(SIDES[:11], 1.0) == Figure("round")
    with pytest.raises(ZeroDivisionError):
        shape.name_shape(SIDES[:12], 1.0)


def test_a_figure_is_told_where_the_outline_lies(monkeypatch):
    cut = named(monkeypatch)
    assert cut.flat_side_deg == pytest.approx(330.0)
    middle, way = MIDDLE + WIDE * CUT[:2], np.array([np.cos(CUT[3]), np.sin(CUT[3])])
    across = np.array([-way[1], way[0]])
    ends = [WIDE * 0.5 * way, -WIDE * way, WIDE * across, -WIDE * across]
    for end in ends:
        assert cut.inside(*(middle + 0.98 * end)[:, None]).tolist() == [True]
        assert cut.inside(*(middle + 1.02 * end)[:, None]).tolist() == [False]
    pair = named(monkeypatch, pair=0.04)
    assert np.array(pair.lobes) == pytest.approx(MIDDLE + WIDE * np.array([(0.5, 0.0), (-0.5, 0.0)]))
    for u, side, radius in ((0.5, 1, 0.7), (-0.5, -1, 0.6)):
        u0, v0 = MIDDLE + WIDE * np.array([u, 0.0])
        assert pair.inside(np.array([u0 + side * 0.98 * WIDE * radius]), np.array([v0])).all()
        assert not pair.inside(np.array([u0 + side * 1.02 * WIDE * radius]), np.array([v0])).any()
        assert pair.inside(np.array([u0]), np.array([v0 + 0.98 * WIDE * radius])).all()
        assert not pair.inside(np.array([u0]), np.array([v0 + 1.02 * WIDE * radius])).any()


@pytest.mark.parametrize(("half_u", "half_v"), [(1.0, 2.0), (2.0, 1.0)])
def test_a_region_s_widths_are_four_standard_deviations(half_u, half_v):
    """A uniform rectangle's standard deviation is its half over the root of 3, an ellipse's a half of its
    half axis (any text on statistics, ISO 11146-1 for the four)."""
    box = (np.array([-3.0, -5.0]), np.array([5.0, 3.0]))

    def rectangle(u, v):
        return (np.abs(u - 1.0) < half_u) & (np.abs(v + 1.0) < half_v)

    def ellipse(u, v):
        return ((u - 1.0) / half_u) ** 2 + ((v + 1.0) / half_v) ** 2 < 1

    for inside, ratio in ((rectangle, 4 / np.sqrt(3)), (ellipse, 2.0)):
        centre, long_mm, short_mm = shape.region_moments(inside, box)
        assert centre == pytest.approx((1.0, -1.0), abs=0.01)
        assert (long_mm, short_mm) == pytest.approx((2.0 * ratio, 1.0 * ratio), rel=0.03)


def test_an_outline_has_about_as_many_points_whatever_the_grid():
    for side in (15, 41, 121):
        u, v = np.meshgrid(*[np.arange(side) - side // 2] * 2)
        height = 1.0 * (np.hypot(u, v) < side / 3)
        points = shape.outline_points(height, np.eye(3), (side // 2, side // 2))
        assert 72 <= len(points) < 144
        assert points.mean(axis=0) == pytest.approx((side // 2,) * 2, abs=0.5)
        away = np.linalg.norm(points - side // 2, axis=1)
        assert away == pytest.approx(side / 3, abs=1.0)


@pytest.mark.parametrize(
    ("near", "chosen"),
    [
        ((30.0, 20.0), 30.0),
        ((10.0, 20.0), 10.0),
        *(((u, 20.0), 10.0) for u in (7.7, 12.3)),  # just within the smaller one's edges, 7.5 and 12.5
        *(((u, 20.0), 30.0) for u in (7.4, 12.6)),  # within none: the larger one
        *(((10.0, v), 10.0) for v in (17.7, 22.3)),
        *(((10.0, v), 30.0) for v in (17.4, 22.6)),
        ((20.0, 39.0), 30.0),
    ],
)
def test_the_outline_is_that_which_holds_the_place(near, chosen):
    """A blob of 5 pixels and one of 13, from half a pixel before the first to half a pixel after the last."""
    height = np.zeros((41, 51))
    height[18:23, 8:13] = 1.0
    height[14:27, 24:37] = 1.0
    points = shape.outline_points(height, np.eye(3), near)
    assert points[:, 0].mean() == pytest.approx(chosen, abs=0.2)


@pytest.mark.parametrize("towards", range(0, 360, 30))
@pytest.mark.parametrize("depth", [0.2, 0.6])
def test_a_fit_of_a_cut_starts_from_every_side_deep_and_shallow(monkeypatch, towards, depth):
    """An outline that is such a start is left as it is: the best start already knows it."""

    def unmoved(distance, start, points):
        return start, float(np.sum(distance(start, points) ** 2))

    monkeypatch.setattr(shape, "_least_squares", unmoved)
    angle = np.radians(towards)
    middle, radius, line = -depth * np.array([np.cos(angle), np.sin(angle)]), 1 + depth, 1 - depth
    start, left = shape._fit_cut(radius * cut_circle(line / radius, angle) + middle)
    assert start == pytest.approx([*middle, radius, angle, line])
    assert left == pytest.approx(0.0, abs=1e-12)


def test_an_outline_is_smoothed_by_nine_tenths_of_a_pixel():
    """A square's corner is where both steps are the root of a half: 0.545 standard deviations inside."""
    height = np.zeros((21, 21))
    height[6:15, 6:15] = 1.0  # from 5.5 to 14.5
    points = shape.outline_points(height, np.eye(3), (10.0, 10.0))
    outermost = 14.5 - 1 / 6  # the middle of the last third of a pixel
    assert points[:, 0].max() == pytest.approx(outermost, abs=0.01)
    assert points.sum(axis=1).max() / 2 == pytest.approx(outermost - 0.545 * 0.9, abs=0.16)
    line = np.zeros((21, 21))
    line[10, 5:16] = 1.0  # thinner than the blur: nothing of it is half as high
    assert len(shape.outline_points(line, np.eye(3), (10.0, 10.0))) == 0


@pytest.mark.parametrize("turn", [0.3, 1.9])
@pytest.mark.parametrize("radii", [(0.7, 0.7), (0.85, 0.5), (0.5, 0.85)])
def test_a_fit_of_two_circles_starts_with_either_or_neither_the_larger(monkeypatch, radii, turn):
    """An outline that is such a start is left as it is."""

    def unmoved(distance, start, points):
        return start, float(np.sum(distance(start, points) ** 2))

    monkeypatch.setattr(shape, "_least_squares", unmoved)
    points, middles = lobed(radii, 1.0, turn)
    start, left = shape._fit_pair(points)
    lobes = sorted([(*start[:2], start[2]), (*start[3:5], start[5])])
    wanted = sorted((*at, radius) for at, radius in zip(middles, radii, strict=True))
    assert np.array(lobes) == pytest.approx(np.array(wanted), abs=0.15)  # the outline's own long axis
    assert left < 0.02 * len(points)


def test_whether_points_are_inside_is_told_in_their_own_shape(monkeypatch):
    u, v = np.meshgrid(np.linspace(1.0, 7.0, 7), np.linspace(-8.0, -2.0, 5))
    for figure in (named(monkeypatch), named(monkeypatch, pair=0.04)):
        within = figure.inside(u, v)
        assert within.shape == (5, 7) and 0 < within.sum() < 35
        for row, col in np.ndindex(5, 7):
            assert figure.inside(u[row, col : col + 1], v[row, col : col + 1])[0] == within[row, col]
