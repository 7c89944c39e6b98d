"""From a candidate to a mark with each part given: what each part is asked, and what is refused when."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from test_pairs import VIEW

from vision.candidates import Candidate
from vision.fit import Ground, Spot
from vision.reading import Mark
from vision.shape import Figure
from vision.smoke import Smoky
from vision.window import Grid, window_grid

measure = import_module("vision.measure")  # the module has a function of this name
WINDOW = window_grid(0.2)
CROP = Grid((3.0, -4.0), 0.2, 41)
U, V = np.meshgrid(*CROP.axes_mm())
COLOUR = np.array([-0.5, -0.3, -0.2])
TAPE = np.full((41, 41, 3), 200.0, np.float32)
AFTER = TAPE - np.float32(60.0) * (np.hypot(U - 3, V + 4) < 2)[..., None]


def made(centre=(3.0, -4.0), radius=2.0, flatness=20.0, height=60.0, noise=0.1) -> Spot:
    half = flatness + np.log1p(2 * np.exp(-flatness))
    none = np.zeros((2, U.size))
    form = np.eye(2) * half / radius**2
    return Spot(
        np.array(centre), form, flatness, height, np.zeros(3), np.eye(2), np.zeros(U.size), noise, none
    )


MARK = Mark((3.0, -4.0), (0.02, 0.03), (4.0, 3.0), "round")


class Parts:
    """What each part answers, and what it was asked."""

    def __init__(self, monkeypatch, **answers):
        self.answers = {
            "crop_grid": CROP,
            "crop_weights": np.ones(U.shape),
            "at_rim": False,
            "_robust_spot": made(),
            "plausible": True,
            "_is_faint": False,
            "_rim_explained": 0.76,
            "hidden_share": 0.01,
            "fit_spot": made((3.5, -4.0)),
            "beside_smoke": Smoky(made((3.1, -4.0)), np.full(U.size, 2.0), np.array([0.1, 0.2])),
            "trust": np.full(U.size, 0.5),
            "figure_of": Figure("stretched"),
            "mark_of": MARK,
            "_is_vague": False,
            "burnt_share": -0.4,
            **answers,
        }
        self.asked = {}
        for name in self.answers:
            monkeypatch.setattr(measure, name, self.part(name))

    def part(self, name):
        def ask(*given, **named):
            self.asked[name] = (given, named)
            return self.answers[name]

        return ask


@pytest.fixture
def measured(monkeypatch):
    """Measures one candidate of a scene with the parts as given; returns the answer and the parts."""

    def run(*, view=VIEW, lit=None, others=(), **answers):
        parts = Parts(monkeypatch, **answers)
        tape = SimpleNamespace(expected=lambda grid, before: TAPE - 1)
        scene = SimpleNamespace(
            view=view, grid=WINDOW, tape=tape, light=lit, blur_mm=0.2, picture="picture",
            seen=lambda grid: AFTER, unmarked=lambda grid: TAPE,
        )  # fmt: skip
        one = Candidate((3.0, -4.0), 2.0, np.zeros((1, 1), bool), COLOUR, 50.0)
        return measure.measure(scene, one, list(others), new=True), parts

    return run


def test_a_mark_is_measured_on_its_own_colour_beside_its_smoke(measured):
    found, parts = measured(others=["other"])
    height = ((AFTER - TAPE) @ COLOUR).ravel()
    assert parts.asked["crop_weights"][0][2] == ["other"]
    (x, y, z, w, _), named = parts.asked["_robust_spot"]
    assert (x, y) == (pytest.approx(U.ravel()), pytest.approx(V.ravel()))
    assert (z, w, named) == (pytest.approx(height), pytest.approx(1.0), {"whole": True, "ground": None})
    assert parts.asked["plausible"][1] == {"whole": True, "blur_mm": 0.2}
    (points, spot), named = parts.asked["beside_smoke"]
    assert spot is parts.answers["_robust_spot"] and named == {"oval": True}
    assert points.weight == pytest.approx(0.5)  # what no disc explains counts less
    (_, _, spot, _, shown), _ = parts.asked["figure_of"]
    assert spot is parts.answers["beside_smoke"].spot
    assert shown.ravel() == pytest.approx(height - 2.0)
    _, spot, figure, _, _, new, smoke = parts.asked["mark_of"][0]
    assert (figure.name, new) == ("stretched", True)
    assert smoke == pytest.approx([0.1, 0.2])
    assert found.mark is MARK and found.spot is spot
    assert found.brighter == -0.4 and found.ground is None
    assert found.tape @ COLOUR == pytest.approx(TAPE @ COLOUR + 2.0, rel=1e-5)
    assert found.weight == pytest.approx(1.0)
    (stacks, away, counts, picture, view, at), _ = parts.asked["burnt_share"]
    assert [float(one.mean()) for one in stacks] == pytest.approx([AFTER.mean(), 200.0, 199.0])
    assert away == pytest.approx(spot.relative_radius(U, V))
    assert counts.all() and (picture, view) == ("picture", VIEW)
    assert at is spot.centre
    inner = parts.asked["_is_faint"][0][4]
    assert np.array_equal(inner, np.hypot(U - 3, V + 4) < 0.7 * 2.0)


def test_what_has_no_weight_is_neither_inside_nor_counts(measured):
    half = np.where(U < 3.0, 0.0, 1.0)
    _, parts = measured(crop_weights=half)
    assert np.array_equal(parts.asked["_is_faint"][0][4], (np.hypot(U - 3, V + 4) < 1.4) & (half > 0))
    assert np.array_equal(parts.asked["burnt_share"][0][2], half > 0)


@pytest.mark.parametrize(("hidden", "name"), [(0.019, "stretched"), (0.021, "off-card")])
def test_what_is_cut_off_by_the_rim_is_fitted_as_a_round_mark(measured, hidden, name):
    found, parts = measured(hidden_share=hidden)
    assert parts.asked["mark_of"][0][2].name == name
    cut = name == "off-card"
    assert ("fit_spot" in parts.asked) == cut
    assert (found.spot is parts.answers["fit_spot"]) == cut
    if cut:
        assert "beside_smoke" not in parts.asked and "figure_of" not in parts.asked
        named = parts.asked["fit_spot"][1]
        assert (named["centre"], named["radius"]) == ((3.0, -4.0), 2.0)
        assert found.tape == pytest.approx(TAPE)
        assert parts.asked["mark_of"][0][6] == pytest.approx(np.zeros(2))


def test_at_the_rim_no_oval_is_fitted(measured):
    _, parts = measured(at_rim=True)
    for name in ("_robust_spot", "plausible"):
        assert parts.asked[name][1]["whole"] is False
    assert parts.asked["beside_smoke"][1]["oval"] is False


LIT = np.zeros((1, 1, 3), np.float32)


@pytest.mark.parametrize(
    ("how", "found"),
    [
        ({}, True),
        ({"_robust_spot": None}, False),
        ({"plausible": False}, False),
        ({"_rim_explained": 0.74}, False),
        ({"burnt_share": None}, False),
        ({"burnt_share": 0.0}, True),
        ({"_is_faint": True}, True),
        ({"_is_faint": True, "_robust_spot": made(flatness=0.65)}, False),  # no edge: a smudge
        ({"_is_faint": True, "_robust_spot": made(flatness=0.75)}, True),
        ({"_robust_spot": made(flatness=0.65)}, True),
        ({"_is_faint": True, "lit": LIT}, False),  # within a lamp's image only what is plain counts
        ({"lit": LIT}, True),
        ({"_is_faint": True, "_is_vague": True}, False),
        ({"_is_vague": True}, True),
        ({"mark_of": replace(MARK, width_mm=(12.9, 3.0))}, True),
        ({"mark_of": replace(MARK, width_mm=(13.1, 3.0))}, False),
        ({"mark_of": replace(MARK, width_mm=(12.9, 3.0)), "view": replace(VIEW, unit_mm=0.5)}, False),
        ({"mark_of": replace(MARK, width_mm=(6.4, 3.0)), "view": replace(VIEW, unit_mm=0.5)}, True),
        ({"mark_of": replace(MARK, sigma_mm=(0.99, 0.03))}, True),
        ({"mark_of": replace(MARK, sigma_mm=(1.01, 0.03))}, False),
        ({"mark_of": replace(MARK, sigma_mm=(0.03, 1.01))}, False),
    ],
)
def test_what_is_no_mark_is_refused(measured, how, found):
    assert (measured(**how)[0] is not None) == found


@pytest.mark.parametrize("unit_mm", [1.0, 2.0])
def test_whether_a_faint_mark_is_vague_is_asked_in_the_card_s_units(measured, unit_mm):
    view = replace(VIEW, unit_mm=unit_mm, px_per_mm=5.0)
    _, parts = measured(_is_faint=True, view=view)
    (_, _, _, width, pixel), _ = parts.asked["_is_vague"]
    assert (width, pixel) == pytest.approx((3.0 / unit_mm, 1 / (5.0 * unit_mm)))


# a mark followed


def followed(
    monkeypatch, *, moved=(0.1, 0.0), height=60.0, brightness=0.8, bare=True, view=VIEW, ground=None
):
    """What the next frame shows of a mark whose tape is brighter on one side."""
    tape = (TAPE + 20 * (U > 3)[..., None]).astype(np.float32)
    weight = np.where(bare, np.ones(U.size), (np.hypot(U - 3, V + 4) < 2.5).ravel() * 1.0)
    last = measure.TrackedMark(MARK, made(), CROP, tape, COLOUR, weight, ground)
    now = brightness * tape - np.float32(48.0) * (np.hypot(U - 3, V + 4) < 2)[..., None]
    asked = {}

    def fit_spot(x, y, z, **named):
        asked.update(named, z=z, x=x, y=y)
        return made(np.add((3.0, -4.0), moved), height=height)

    monkeypatch.setattr(measure, "flatten_view", lambda *_: now)
    monkeypatch.setattr(measure, "fit_spot", fit_spot)
    return measure.follow(last, None, view), asked, last


def test_a_mark_is_followed_in_the_light_of_the_next_frame(monkeypatch):
    mark, asked, last = followed(monkeypatch)
    assert mark.offset_mm == pytest.approx((3.1, -4.0))
    assert (mark.width_mm, mark.sigma_mm) == (MARK.width_mm, MARK.sigma_mm)
    inside = (np.hypot(U - 3, V + 4) < 2).ravel()
    assert asked["z"][inside] == pytest.approx(48.0)
    assert asked["z"][~inside] == pytest.approx(0.0, abs=1e-4)
    assert (asked["centre"], asked["radius"], asked["rounds"]) == ((3.0, -4.0), 1.0, 4)
    assert asked["start"] is last.spot and asked["weight"] is last.weight
    assert asked["oval"] is True and asked["ground"] is None
    _, asked, last = followed(monkeypatch, ground=Ground())
    assert asked["oval"] is False and asked["ground"] is last.ground


def test_where_too_little_bare_tape_is_seen_the_light_is_taken_as_it_was(monkeypatch):
    _, asked, _ = followed(monkeypatch, bare=False, brightness=1.0)
    assert asked["z"].min() == pytest.approx(0.0, abs=1e-4)
    _, asked, _ = followed(monkeypatch, bare=False, brightness=0.8)
    assert asked["z"].min() > 30.0


@pytest.mark.parametrize("unit_mm", [1.0, 2.0])
@pytest.mark.parametrize(
    ("moved", "height", "seen"),
    [
        ((0.49, 0.0), 60.0, True),
        ((0.0, -0.49), 60.0, True),
        ((0.51, 0.0), 60.0, False),
        ((0.4, 0.4), 60.0, False),
        ((np.nan, 0.0), 60.0, False),
        ((0.1, 0.0), 18.1, True),
        ((0.1, 0.0), 17.9, False),  # 0.3 of what it was
    ],
)
def test_a_mark_that_jumps_or_fades_is_not_followed(monkeypatch, moved, height, seen, unit_mm):
    mark, _, _ = followed(monkeypatch, moved=moved, height=height, view=replace(VIEW, unit_mm=unit_mm))
    assert (mark is not None) == seen
    if mark:
        assert mark.offset_mm == pytest.approx(np.add((3.0, -4.0), np.multiply(moved, unit_mm)))


def test_a_fit_that_fails_shows_no_mark(monkeypatch):
    def fails(*_, **__):
        raise np.linalg.LinAlgError

    last = measure.TrackedMark(MARK, made(), CROP, TAPE, COLOUR, np.ones(U.size))
    monkeypatch.setattr(measure, "flatten_view", lambda *_: TAPE)
    monkeypatch.setattr(measure, "fit_spot", fails)
    assert measure.follow(last, None, VIEW) is None
    one = Candidate((3.0, -4.0), 2.0, np.zeros((1, 1), bool), COLOUR, 50.0)
    x, y = U.ravel(), V.ravel()
    assert measure._robust_spot(x, y, 0 * x, 1 + 0 * x, one, whole=True, ground=None) is None


# a fit without outliers


@pytest.mark.parametrize(("points", "fitted"), [(29, False), (30, True)])
def test_thirty_points_are_needed_for_a_fit(monkeypatch, points, fitted):
    monkeypatch.setattr(measure, "fit_spot", lambda *_, **__: made())
    one = Candidate((3.0, -4.0), 2.0, np.zeros((1, 1), bool), COLOUR, 50.0)
    weight = np.zeros(U.size)
    weight[:points] = 1.0
    found = measure._robust_spot(U.ravel(), V.ravel(), np.zeros(U.size), weight, one, whole=True, ground=None)
    assert (found is not None) == fitted


@pytest.mark.parametrize(("whole", "ground"), [(True, None), (False, "curved")])
def test_a_round_fit_comes_first_and_what_it_does_not_explain_loses_weight(monkeypatch, whole, ground):
    asked = []

    def fit_spot(x, y, z, **named):
        asked.append(named)
        return made()

    monkeypatch.setattr(measure, "fit_spot", fit_spot)
    monkeypatch.setattr(measure, "trust", lambda spot, x, y, w: np.full(U.size, 0.25))
    one = Candidate((3.0, -4.0), 2.0, np.zeros((1, 1), bool), COLOUR, 50.0)
    found = measure._robust_spot(
        U.ravel(), V.ravel(), np.zeros(U.size), np.full(U.size, 2.0), one, whole=whole, ground=ground
    )
    assert [named["ground"] for named in asked] == [ground] * 2
    assert found.centre == pytest.approx((3.0, -4.0))
    assert [(named["centre"], named["radius"]) for named in asked] == [((3.0, -4.0), 2.0)] * 2
    assert [float(named["weight"][0]) for named in asked] == [2.0, 0.5]
    assert asked[0].get("oval", False) is False and "start" not in asked[0]
    assert asked[1]["oval"] is whole and asked[1]["start"] is not None


@pytest.mark.parametrize(("outliers", "few"), [(3, True), (4, False)])
def test_two_points_in_a_thousand_that_lie_off_are_outliers(outliers, few):
    """Of 1681, 3.4; each more than five times the usual (1.4826 by the median), away from the edge."""
    rest = np.where(np.arange(U.size) % 2, 1.0, -1.0)
    away = made().relative_radius(U.ravel(), V.ravel())
    inner = np.flatnonzero(away < 0.6)
    rest[inner[:outliers]] = 7.5  # 5 · 1.4826 = 7.41
    weights = measure.trust(replace(made(), rest=rest), U.ravel(), V.ravel(), np.ones(U.size))
    assert (weights == 1.0).all() == few
    rest[inner[:outliers]] = 7.3
    weights = measure.trust(replace(made(), rest=rest), U.ravel(), V.ravel(), np.ones(U.size))
    assert (weights == 1.0).all()


def test_points_without_weight_neither_tell_the_spread_nor_count_as_outliers():
    weight = np.where(U.ravel() < 1.0, 0.0, 1.0)
    rest = np.where(weight > 0, np.where(np.arange(U.size) % 2, 1.0, -1.0), 500.0)
    weights = measure.trust(replace(made(), rest=rest), U.ravel(), V.ravel(), weight)
    assert (weights == 1.0).all()
    inner = np.flatnonzero(made().relative_radius(U.ravel(), V.ravel()) < 0.5)
    rest[inner[:9]] = 8.0
    weights = measure.trust(replace(made(), rest=rest), U.ravel(), V.ravel(), weight)
    spread = 1.4826
    assert weights[inner[:9]] == pytest.approx((1 - (8.0 / (6 * spread)) ** 2) ** 2, rel=1e-4)
    assert weights[inner[9:]] == pytest.approx((1 - (1.0 / (6 * spread)) ** 2) ** 2, rel=1e-4)


# the figure, and places that do not depend on where the mark lies


def outlined(monkeypatch, at=(3.0, -4.0), region=None, ratio=1.25):
    """What is outlined of a disc of 60 levels on light that slopes, and what it is named by."""
    asked = {}
    monkeypatch.setattr(measure, "outline_points", lambda *given: asked.update(given=given) or "points")
    monkeypatch.setattr(measure, "name_shape", lambda *given: asked.update(named=given) or Figure("round"))
    disc = (np.hypot(U - 3.1, V + 4.2) < 2) * 1.0
    levels = 10 + 0.5 * (U - 3.1) - 0.2 * (V + 4.2) + 60 * disc
    spot = replace(made((3.1, -4.2), height=50.0), plane=np.array([10.0, 0.5, -0.2]))
    spot = replace(spot, form=spot.form @ np.diag([1.0, ratio**2]))
    u, v = np.meshgrid(*WINDOW.axes_mm())
    mask = np.hypot(u - 3.1, v + 4.2) < 1.5 if region is None else region
    one = Candidate(at, 2.0, mask, COLOUR, 50.0)
    assert measure.figure_of(WINDOW, one, spot, CROP, levels).name == "round"
    return disc, *asked["given"], *asked["named"]


def test_an_outline_is_of_the_mark_without_its_light_in_shares_of_its_height(monkeypatch):
    disc, shown, to_mm, near, points, ratio = outlined(monkeypatch)
    assert shown == pytest.approx(disc, abs=1e-9)
    assert np.array_equal(to_mm, CROP.to_mm)
    assert near == pytest.approx((20.0, 20.0))  # the candidate's place, the middle of 41 points
    assert (points, ratio) == ("points", pytest.approx(1.25))
    assert outlined(monkeypatch, (2.0, -3.0))[3] == pytest.approx((15.0, 15.0))
    assert outlined(monkeypatch, (5.5, -4.0))[3] == pytest.approx((20.5, 21.0))  # beside it: the fit's own


def test_what_lies_two_radii_away_tells_no_height(monkeypatch):
    """All of the region's points within that are bare, or there are none: then the fit's height counts."""
    u, v = np.meshgrid(*WINDOW.axes_mm())
    far = np.hypot(u - 3.1, v + 4.2) > 4.2
    disc, shown, *_ = outlined(monkeypatch, region=far, ratio=1.0)
    assert shown == pytest.approx(disc * 60 / 50)
    # of what lies nearer, four tenths are burnt: the height is that of the upper three
    mixed = (np.hypot(u - 3.1, v + 4.2) > 3.3) | (np.hypot(u - 3.1, v + 4.2) < 1.8)
    assert outlined(monkeypatch, region=mixed, ratio=1.0)[1] == pytest.approx(disc)


@pytest.mark.parametrize("away", [(7.0, -3.0), (-5.0, 11.0)])
def test_how_sure_a_place_is_does_not_depend_on_where_it_is(away):
    """A ragged mark of which a part is hidden, moved as a whole."""
    grid = Grid((0.0, 0.0), 0.2, 41)
    x, y = (axis.ravel() for axis in np.meshgrid(*grid.axes_mm()))
    angle = np.arctan2(y, x)
    edge = 2 + 0.15 * np.cos(3 * angle + 0.4) + 0.1 * np.cos(5 * angle)
    z = 60 / (1 + np.exp((np.hypot(x, y) - edge) / 0.15)) + 3 * np.sin(2.0 * x) * (y > 0)

    def weighed(u, v, weight):
        about = {"centre": (u, v), "radius": 2.0, "weight": weight}
        spot = measure.fit_spot(x + u, y + v, z, **about)
        mark = measure.mark_of(VIEW, spot, Figure("round"), x + u, y + v, None, np.zeros(2))
        vague = [measure._is_vague(spot, x + u, y + v, width, 0.1) for width in np.geomspace(0.1, 100, 61)]
        return mark.sigma_mm, mark.width_mm, sum(vague)

    for weight in (np.ones(x.size), np.where(x + 0.3 * y > 0.5, 0.0, 1.0)):
        here, there = weighed(0.0, 0.0, weight), weighed(*away, weight)
        assert there[0] == pytest.approx(here[0], rel=1e-3)
        assert there[1] == pytest.approx(here[1], rel=1e-4)
        assert there[2] == here[2]
        assert 0 < here[2] < 61


def test_what_has_no_weight_at_the_rim_needs_no_explaining():
    """Another mark beside it, and a hole burnt in its middle."""
    disc = 60 / (1 + np.exp((np.hypot(U - 3, V + 4) - 2) / 0.15))
    one = Candidate((3.0, -4.0), 2.0, np.zeros((1, 1), bool), COLOUR, 50.0)
    spot = measure.fit_spot(U.ravel(), V.ravel(), disc.ravel(), centre=(3.0, -4.0), radius=2.0)
    beside = np.hypot(U - 6, V + 4) < 1.2
    spoilt = np.where(beside | (np.hypot(U - 3, V + 4) < 1.0), -90.0, disc)
    left = (spoilt - disc).ravel() + spot.rest
    explained = measure._rim_explained(
        CROP, spoilt, np.where(beside, 0.0, 1.0), replace(spot, rest=left), one
    )
    assert explained > 0.98


@pytest.mark.parametrize("unit_mm", [0.5, 1.0, 2.0])
def test_what_no_residual_shows_is_so_much_of_a_pixel_of_the_card(unit_mm):
    """0.002 units and a fiftieth of a pixel; all in mm of the card that is seen."""
    x, y = U.ravel(), V.ravel()
    z = 60 / (1 + np.exp((np.hypot(x - 3, y + 4) - 2) / 0.15))
    spot = measure.fit_spot(x, y, z, centre=(3.0, -4.0), radius=2.0)
    squares = []
    for px_per_mm in (6.0, 600.0):
        view = replace(VIEW, px_per_mm=px_per_mm, unit_mm=unit_mm)
        mark = measure.mark_of(view, spot, Figure("round"), x, y, None, np.zeros(2))
        squares.append(mark.sigma_mm[0] ** 2)
    floors = [unit_mm * (0.002 + 0.02 / (px_per_mm * unit_mm)) for px_per_mm in (6.0, 600.0)]
    assert squares[0] - squares[1] == pytest.approx(floors[0] ** 2 - floors[1] ** 2, rel=1e-3)


def test_a_sector_is_seen_by_a_tenth_of_the_strongest():
    """Ten strong ones, six just above a tenth of them, five just below."""
    angle = -np.pi + (np.arange(21) + 0.5) * 2 * np.pi / 21
    strength = np.repeat([5.0, 0.55, 0.45], [10, 6, 5])
    influence = np.stack([0.25 * strength, -0.75 * strength])
    spot = replace(made(), rest=np.ones(21), influence=influence)
    wanted = (strength**2).sum() * 16 / (16 - 5) * 2.6
    assert measure._by_sectors(spot, angle) == pytest.approx((wanted / 16, 9 * wanted / 16))


@pytest.mark.parametrize(("bare", "lit"), [(20, False), (21, True)])
def test_more_than_twenty_points_of_bare_tape_tell_the_light(monkeypatch, bare, lit):
    beside = np.flatnonzero(made().relative_radius(U.ravel(), V.ravel()) > 1.5)
    weight = np.zeros(U.size)
    weight[beside[:bare]] = 1.0
    last = measure.TrackedMark(MARK, made(), CROP, TAPE, COLOUR, weight)
    asked = {}
    monkeypatch.setattr(measure, "flatten_view", lambda *_: np.float32(0.5) * TAPE)
    monkeypatch.setattr(measure, "fit_spot", lambda x, y, z, **_: asked.update(z=z) or made())
    measure.follow(last, None, VIEW)
    assert (np.abs(asked["z"]).max() < 1e-3) == lit


@pytest.mark.parametrize("at", [(0.0, 0.0), (7.0, -5.0)])
@pytest.mark.parametrize(("away", "touch"), [(5.3, True), (5.5, False)])
@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (-0.6, 0.8)])
def test_old_marks_touch_within_a_fifth_more_than_both_radii(at, away, touch, way):
    """Of 2.5 and 2 mm: 5.4 mm, wherever they lie."""
    relief = import_module("vision.relief")
    one, other = made(at, 2.5), made(np.add(at, np.multiply(away, way)), 2.0)
    assert relief._touch(one, other) == relief._touch(other, one) == touch
