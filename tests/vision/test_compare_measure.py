"""A new mark between two pictures with each part given: what each part is asked, and what is refused when."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from test_measure_parts import AFTER, COLOUR, CROP, MARK, TAPE, U, V, made
from test_pairs import VIEW

from vision.candidates import Candidate
from vision.fit import Ground
from vision.joint import Mismatch, Patch
from vision.reading import Mark
from vision.register import Sharpness
from vision.shape import Figure
from vision.smoke import Smoky
from vision.tone_curve import SAME
from vision.window import Grid, window_grid

compare = import_module("vision.compare")  # the package has a function of this name
WINDOW = window_grid(0.5)
CHANGE = ((AFTER - TAPE) @ COLOUR).astype(float)
STAND, BY_HAND = Mismatch(0.015, 0.008, 0.03), Mismatch(0.06, 0.03, 0.3)


def candidate(at=(3.0, -4.0), radius=2.0, strength=50.0) -> Candidate:
    u, v = np.meshgrid(*WINDOW.axes_mm())
    return Candidate(at, radius, np.hypot(u - at[0], v - at[1]) < radius, COLOUR, strength)


ROWS = {True: "free rows", False: "held rows"}


class Told(Patch):
    """A crop whose rows are words, so that it is seen where they go."""

    def rows(self, *, freely=False, **_):
        return (ROWS[freely],)


VISIBLE = Ground(np.full(U.size, 0.9))


@pytest.fixture
def measured(monkeypatch):
    """Measures one candidate with the parts as given: the answer, and what each part was asked."""

    def run(*, unit_mm=1.0, mismatch=STAND, one=None, **changed):
        answers = {
            "crop_grid": CROP,
            "_half_mm": 1.8,
            "_patch": (Told(CROP, CHANGE, 0 * U, 0 * U, np.ones(U.shape), mismatch), TAPE),
            "_old_under": False,
            "at_rim": False,
            "_starts": "starts",
            "fit_joint": (made(), VISIBLE),
            "_narrowed": None,
            "rival_rest": "rival",
            "explained": 0.5,
            "plausible": True,
            "trust": np.full(U.size, 0.5),
            "_is_older": False,
            "fit_spot": made((3.2, -4.0)),
            "hidden_share": 0.01,
            "beside_smoke": Smoky(made((3.1, -4.0)), np.full(U.size, 2.0), np.array([0.1, 0.2])),
            "figure_of": Figure("stretched"),
            "mark_of": MARK,
            "in_depth": MARK,
            "_hidden": 0.4,
            "burnt_share": -0.4,
            **changed,
        }
        asked = {name: [] for name in answers}

        def part(name):
            def ask(*given, **named):
                asked[name].append((given, named))
                answer = answers[name]
                return answer.pop(0) if isinstance(answer, list) else answer

            return ask

        for name in answers:
            monkeypatch.setattr(compare, name, part(name))
        shown, earlier = (
            SimpleNamespace(own=SimpleNamespace(sd_mm=sd), picture=name)
            for sd, name in ((0.2, "a"), (0.3, "b"))
        )
        pair = SimpleNamespace(
            view=replace(VIEW, unit_mm=unit_mm), window=WINDOW, mismatch=mismatch,
            shown=shown, earlier=earlier,
            seen=lambda grid: AFTER,
            tape=SimpleNamespace(expected=lambda grid, known: 2 * known),
            bare=SimpleNamespace(expected=lambda grid, known: TAPE),
        )  # fmt: skip
        return compare._measure(pair, one or candidate(), ["others"], ["older"]), asked

    return run


def test_a_mark_on_bare_tape_is_measured_beside_its_smoke(measured):
    found, asked = measured()
    (_, _, _, half), _ = asked["crop_grid"][0]
    assert half == 1.8
    (_, starts), named = asked["fit_joint"][0]
    assert (starts, named) == ("starts", {"oval": True, "ground": ("held rows",)})
    assert asked["_starts"][0][1] == {"under": False}
    assert asked["rival_rest"][0][0][1:] == ("held rows",)
    (_, spot, rival, radius), _ = asked["explained"][0]
    assert (spot.centre[0], rival, radius) == (3.0, "rival", 2.0)
    assert asked["plausible"][0][1] == {"whole": True, "blur_mm": 0.3}  # that of the less sharp picture
    (x, y, z), named = asked["fit_spot"][0]
    assert (x, y, z) == (pytest.approx(U.ravel()), pytest.approx(V.ravel()), pytest.approx(CHANGE.ravel()))
    assert (named["centre"], named["radius"], named["oval"]) == ((3.0, -4.0), 1.0, True)
    assert named["weight"] == pytest.approx(0.5) and named["ground"] is VISIBLE
    (points, spot), named = asked["beside_smoke"][0]
    assert spot.centre[0] == 3.2 and points.weight == pytest.approx(0.5)
    assert named == {"oval": True, "ground": VISIBLE}
    (_, _, spot, _, shown), _ = asked["figure_of"][0]
    assert spot.centre[0] == 3.1
    assert shown.ravel() == pytest.approx(CHANGE.ravel() - 2.0)
    _, spot, figure, _, _, new, smoke = asked["mark_of"][0][0]
    assert (spot.centre[0], figure.name, new) == (3.1, "stretched", True)
    assert smoke == pytest.approx([0.1, 0.2])
    assert asked["in_depth"][0][0][2] == pytest.approx((3.1, -4.0))
    assert found.mark is MARK and found.spot is spot and found.ground is None and found.brighter == -0.4
    assert found.tape @ COLOUR == pytest.approx(TAPE @ COLOUR + 2.0, rel=1e-5)
    (stacks, away, counts, picture, _, at), _ = asked["burnt_share"][0]
    assert [float(one.mean()) for one in stacks] == pytest.approx([AFTER.mean(), 200.0, 400.0])
    assert away == pytest.approx(spot.relative_radius(U, V)) and at is spot.centre
    assert counts.all() and picture == "a"


def test_a_mark_on_an_older_one_stays_as_both_were_fitted_together(measured):
    found, asked = measured(_old_under=True)
    assert asked["fit_joint"][0][1]["oval"] is False
    assert asked["_starts"][0][1] == {"under": True}
    for name in ("trust", "fit_spot", "beside_smoke", "figure_of"):
        assert not asked[name]
    assert asked["mark_of"][0][0][2].name == "round"
    assert found.spot is asked["explained"][0][0][1] and found.ground is VISIBLE
    assert found.weight == pytest.approx(1.0)
    assert found.tape == pytest.approx(TAPE)
    assert found.mark.sigma_mm == compare._doubted(MARK, 0.4, 1.0)
    assert found.mark.offset_mm == MARK.offset_mm


def test_near_the_rim_no_oval_is_fitted(measured):
    _, asked = measured(at_rim=True)
    assert asked["fit_joint"][0][1]["oval"] is False
    assert asked["plausible"][0][1]["whole"] is False
    assert asked["fit_spot"][0][1]["oval"] is False


@pytest.mark.parametrize("under", [False, True])
@pytest.mark.parametrize(("hidden", "cut"), [(0.019, False), (0.021, True)])
def test_what_the_rim_cuts_off_is_fitted_as_a_round_mark(measured, hidden, cut, under):
    found, asked = measured(hidden_share=hidden, _old_under=under)
    assert (asked["mark_of"][0][0][2].name == "off-card") == cut
    assert bool(asked["beside_smoke"]) == (not cut and not under)
    assert len(asked["fit_spot"]) == cut + (not under)
    if cut:
        named = asked["fit_spot"][-1][1]
        assert (named["centre"], named["radius"]) == ((3.0, -4.0), 2.0)
        assert named["ground"] is VISIBLE and "oval" not in named
        assert found.spot is asked["mark_of"][0][0][1]


@pytest.mark.parametrize(
    ("how", "found"),
    [
        ({}, True),
        ({"fit_joint": None}, False),
        ({"plausible": False}, False),
        ({"explained": STAND.least_share() + 0.01}, True),
        ({"explained": STAND.least_share() - 0.01}, False),
        ({"explained": 0.79, "mismatch": BY_HAND}, False),
        ({"explained": 0.81, "mismatch": BY_HAND}, True),
        ({"_is_older": True}, False),
        ({"burnt_share": None}, False),
        ({"burnt_share": 0.0}, True),
        ({"in_depth": replace(MARK, width_mm=(12.9, 3.0))}, True),
        ({"in_depth": replace(MARK, width_mm=(13.1, 3.0))}, False),
        ({"in_depth": replace(MARK, width_mm=(6.4, 3.0)), "unit_mm": 0.5}, True),
        ({"in_depth": replace(MARK, width_mm=(6.6, 3.0)), "unit_mm": 0.5}, False),
        ({"in_depth": replace(MARK, sigma_mm=(0.99, 0.1))}, True),
        ({"in_depth": replace(MARK, sigma_mm=(1.01, 0.1))}, False),
        ({"in_depth": replace(MARK, sigma_mm=(0.1, 1.01))}, False),
    ],
)
def test_what_is_no_new_mark_is_refused(measured, how, found):
    assert (measured(**how)[0] is not None) == found


def test_between_photos_by_hand_the_rival_is_held_less(measured):
    _, asked = measured(mismatch=BY_HAND, explained=0.9)
    assert asked["rival_rest"][0][0][1:] == ("free rows",)
    assert asked["fit_joint"][0][1]["ground"] == ("held rows",)


@pytest.mark.parametrize(
    ("radius", "height", "narrowed"), [(0.99, 60.0, True), (1.01, 60.0, False), (0.99, -60.0, False)]
)
def test_a_mark_half_as_large_as_its_candidate_is_measured_alone(measured, radius, height, narrowed):
    small, narrow = made(radius=radius, height=height), candidate(radius=1.0)
    found, asked = measured(fit_joint=[(small, VISIBLE), (made(), VISIBLE)], _narrowed=narrow)
    assert len(asked["fit_joint"]) == 1 + narrowed
    assert bool(asked["_narrowed"]) == narrowed
    if narrowed:
        assert asked["_narrowed"][0][0][1] is small
        assert asked["explained"][0][0][3] == 1.0
        assert asked["_patch"][1][0][1] is narrow and asked["_patch"][1][0][2] == ["others"]
    assert found is not None
    assert not narrowed or measured(fit_joint=(small, VISIBLE))[0] is None


# which candidates there are


class Pair:
    """Two pictures by what is seen and expected in the whole window."""

    window = WINDOW

    def __init__(self, seen, expected):
        self._seen, self._expected = seen, expected

    def seen(self, grid):
        return self._seen

    def expected(self, grid):
        return self._expected


WIDE_U, WIDE_V = np.meshgrid(*WINDOW.axes_mm())
INSIDE = WINDOW.radius_mm() < 22.5


@pytest.fixture
def sought(monkeypatch):
    """What is searched, and which detail of the tape is kept."""

    def run(seen, expected, *, kept=lambda expected: expected, only=None, count=20):
        asked = {}

        def shared_detail(now, then, inside, alike):
            asked.update(inside=inside, alike=alike)
            return kept(then)

        def find_candidates(rest, inside, grid):
            asked["rest"] = rest
            return SimpleNamespace(listed=list(range(count)))

        monkeypatch.setattr(compare, "shared_detail", shared_detail)
        monkeypatch.setattr(compare, "find_candidates", find_candidates)
        asked["found"] = compare.candidates(Pair(seen, expected), only)
        return asked

    return run


def noisy(sd, seed=1):
    return np.random.default_rng(seed).normal(0, sd, (*WIDE_U.shape, 3))


def test_tape_is_as_it_was_where_it_differs_by_less_than_four_times_the_usual(sought):
    expected = np.full((*WIDE_U.shape, 3), 150.0, np.float32)
    marked = np.float32(40.0) * (np.hypot(WIDE_U - 4, WIDE_V) < 3)[..., None]
    seen = expected + noisy(2.0).astype(np.float32) + marked
    asked = sought(seen, expected)
    most = np.abs(seen - expected).max(axis=2)
    assert np.array_equal(asked["inside"], INSIDE)
    assert np.array_equal(asked["alike"], INSIDE & (most < 4 * np.median(most[INSIDE])))
    assert not asked["alike"][np.hypot(WIDE_U - 4, WIDE_V) < 3].any()
    assert asked["alike"].mean() > 0.8 * INSIDE.mean()


def test_at_old_edges_more_may_differ(sought):
    """By 0.03 mm of the slope: with noise s of a channel, a slope g allows the root of 1 + (0.03 g / s)²."""
    slope_u, slope_v = 40.0, -30.0
    expected = np.stack([slope_u * WIDE_U + slope_v * WIDE_V] * 3, axis=-1).astype(np.float32)
    sizes = np.array([1.0, 2.0, 4.0])
    signs = np.where(np.indices(WIDE_U.shape).sum(axis=0) % 2, 1.0, -1.0)
    asked = sought((expected + signs[..., None] * sizes).astype(np.float32), expected)
    noise = 1.4826 * sizes + 0.3
    wanted = signs[..., None] * sizes / np.sqrt(1 + (0.03 * np.hypot(slope_u, slope_v) / noise) ** 2)
    inner = np.s_[2:-2, 2:-2]
    assert asked["rest"][inner] == pytest.approx(wanted[inner], rel=2e-3)


def test_twelve_candidates_are_looked_at_and_only_a_part_if_told(sought):
    expected = np.full((*WIDE_U.shape, 3), 150.0, np.float32)
    assert sought(expected + 3, expected)["found"] == list(range(12))
    assert sought(expected + 3, expected, count=3)["found"] == [0, 1, 2]
    assert sought(expected + 3, expected, only=lambda rest: -2 * rest)["rest"] == pytest.approx(-6.0)
    assert sought(expected + 3, expected, kept=lambda one: one + 5)["rest"] == pytest.approx(-2.0)


# which of them are new marks


@pytest.fixture
def new(monkeypatch):
    """The new marks of candidates, each with its measurement given."""

    def run(answers, *, by_hand=False, older=(), pieces=(), covered=(), same=None):
        places = [SimpleNamespace(name=name) for name in answers]
        asked = []

        def measured(pair, one, others, old):
            assert one not in others and len(others) == len(places) - 1
            asked.append(one.name)
            return answers[one.name]

        monkeypatch.setattr(compare, "candidates", lambda pair, only: places)
        monkeypatch.setattr(compare, "_measure", measured)
        monkeypatch.setattr(compare, "_piece_of", lambda one, other, window: (one.name, other.name) in pieces)
        monkeypatch.setattr(compare, "covers", lambda old, mark: (old, mark) in covered)
        monkeypatch.setattr(compare, "same_direction", lambda shares, old: same or [True] * len(shares))
        pair = compare.Comparison(
            VIEW, None, None, None, None, np.zeros(1), WINDOW, BY_HAND if by_hand else STAND, SAME
        )
        return [one.name for one in compare._new_marks(pair, [seen(old) for old in older])], asked

    return run


def seen(name):
    return SimpleNamespace(name=name, mark=name, brighter=-0.5)


def test_pieces_of_a_mark_that_was_found_are_not_measured(new):
    found, asked = new({"a": seen("a"), "b": seen("b"), "c": None, "d": seen("d")}, pieces={("d", "a")})
    assert found == ["a", "b"]
    assert asked == ["a", "b", "c"]


@pytest.mark.parametrize(("by_hand", "found"), [(True, ["b"]), (False, ["a", "b"])])
def test_by_hand_no_mark_is_new_that_an_old_one_covers(new, by_hand, found):
    answers = {"a": seen("a"), "b": seen("b")}
    assert new(answers, by_hand=by_hand, older=["x", "old"], covered={("old", "a")})[0] == found


def test_of_changes_in_opposite_directions_one_is_kept(new):
    assert new({"a": seen("a"), "b": seen("b")}, same=[True, False])[0] == ["a"]
    assert new({"a": seen("a"), "b": seen("b")}, same=[False, True])[0] == ["b"]


# places and sizes


@pytest.mark.parametrize("turn", [0.0, 1.0, 4.0])
@pytest.mark.parametrize(
    ("away", "width", "same"),
    [
        (0.0, 1.0, True),
        (0.19, 1.0, True),  # of 2 · √(0.06² + 0.08²)
        (0.21, 1.0, False),
        (0.0, np.exp(0.39), True),
        (0.0, np.exp(0.41), False),
        (0.0, np.exp(-0.39), True),
        (0.0, np.exp(-0.41), False),
    ],
)
def test_an_old_mark_covers_one_of_its_place_and_size(turn, away, width, same):
    old = Mark((1.0, 2.0), (0.06, 0.02), (5.0, 4.0), "round", new=False)
    at = (1.0 + away * np.cos(turn), 2.0 + away * np.sin(turn))
    new = Mark(at, (0.01, 0.08), (4.0 * width, 5.0 * width), "round", new=True)
    assert compare.covers(old, new) == same


def old_at(u, v, radius=2.5):
    return SimpleNamespace(spot=made((u, v), radius=radius))


@pytest.mark.parametrize(("away", "tried"), [(6.9, 3), (7.1, 1)])
@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, -1.0), (0.6, 0.8)])
def test_old_marks_within_two_diameters_are_places_to_start_from(away, tried, way):
    """Of twice 2.5 and 1 mm together; from the old mark a little and half towards the candidate."""
    one = candidate((3.0, -4.0), 1.0)
    at = np.array((3.0, -4.0)) - np.multiply(away, way)
    starts = compare._starts(one, [old_at(*at)], under=True)
    assert len(starts) == tried
    assert starts[0] == ((3.0, -4.0), 1.0)
    for (place, radius), share in zip(starts[1:], (0.15, 0.5), strict=False):
        assert place == pytest.approx(at + share * away * np.array(way))
        assert radius == pytest.approx(2.5)


def test_no_more_than_five_places_are_tried():
    olds = [old_at(3.0 + i / 10, -4.0) for i in range(4)]
    assert len(compare._starts(candidate(), olds, under=True)) == 5


@pytest.mark.parametrize(("away", "half"), [(3.4, 3.4 + 1.6 * 2.5), (3.6, 1.8)])
def test_a_crop_holds_an_old_mark_that_it_touches(away, half):
    one = candidate((3.0, -4.0), 1.0)
    for at in ((3.0 + away, -4.0), (3.0, -4.0 - away)):
        assert compare._half_mm(one, [old_at(*at)]) == pytest.approx(half)
    two = [old_at(3.0 + away, -4.0), old_at(3.0, -4.0, 1.2)]
    assert compare._half_mm(one, two) == pytest.approx(max(half, 1.6 * 1.2))


@pytest.mark.parametrize(("inside", "piece"), [(6, False), (7, True)])
def test_a_candidate_mostly_within_a_mark_is_a_piece_of_it(inside, piece):
    """Of ten points; the disc reaches 1.15 radii."""
    region = np.zeros(WIDE_U.shape, bool)
    away = np.hypot(WIDE_U - 3, WIDE_V + 4)
    near, far = (
        np.argwhere((away > 1.05 * 2) & (away < 1.14 * 2)),
        np.argwhere((away > 1.16 * 2) & (away < 3)),
    )
    region[tuple(near[:inside].T)] = region[tuple(far[: 10 - inside].T)] = True
    one = replace(candidate(), region=region)
    assert region.sum() == 10
    assert compare._piece_of(one, old_at(3.0, -4.0, 2.0), WINDOW) == piece


def test_what_older_marks_hide_is_counted_a_tenth_beyond_the_edge():
    away = made().relative_radius(U.ravel(), V.ravel())
    ring = Ground(np.where((away > 1.0) & (away < 1.1), 0.0, 1.0))
    share = ((away > 1.0) & (away < 1.1)).sum() / (away < 1.1).sum()
    assert compare._hidden(made(), ring, U.ravel(), V.ravel()) == pytest.approx(2 * share)
    assert compare._hidden(made((99.0, 0.0)), ring, U.ravel(), V.ravel()) == 0.0


@pytest.mark.parametrize(("gone", "under"), [(0.12 * 60 + 3.1, True), (0.12 * 60 + 2.9, False)])
def test_an_old_mark_lies_under_if_it_has_gone_beyond_noise_and_an_eighth_of_the_change(
    monkeypatch, gone, under
):
    monkeypatch.setattr(Patch, "noise", lambda self: 1.0)
    patch = Patch(CROP, np.full(U.shape, 60.0), 0 * U, np.full(U.shape, gone), np.ones(U.shape), STAND)
    assert compare._old_under(patch, candidate(), WINDOW) == under
    empty = replace(candidate(), region=np.zeros(WIDE_U.shape, bool))
    assert compare._old_under(patch, empty, WINDOW) is False


@pytest.mark.parametrize(("share", "under"), [(0.05, False), (0.07, True)])
def test_an_old_mark_lies_under_six_hundredths_of_a_candidate(share, under):
    region = compare.dilated(compare.on_crop(candidate().region, WINDOW, CROP), 2)
    points = np.argwhere(region)
    gone = np.zeros(U.shape)
    gone[tuple(points[: round(share * len(points))].T)] = 90.0
    patch = Patch(CROP, np.full(U.shape, 60.0), 0 * U, gone, np.ones(U.shape), STAND)
    assert compare._old_under(patch, candidate(), WINDOW) == under


@pytest.mark.parametrize("unit_mm", [1.0, 2.0])
def test_a_mark_is_moved_to_where_its_tape_stands(monkeypatch, unit_mm):
    doubt = np.array([(0.04**2, 0.5), (0.5, 0.06**2)])
    asked = []

    def stand_off(apart, doubtful, now, then):
        asked.append((apart, doubtful, now, then))
        return np.array([0.1, -0.2]), doubt

    monkeypatch.setattr(compare, "sight_slope", lambda view, shape, at: (view, shape, at))
    monkeypatch.setattr(compare, "stand_off", stand_off)
    view = SimpleNamespace(unit_mm=unit_mm)
    shown = SimpleNamespace(picture=np.zeros((2, 3, 3)))
    earlier = SimpleNamespace(picture=np.zeros((4, 5, 3)), view="then", apart=lambda at: ("apart", "doubt"))
    pair = SimpleNamespace(view=view, shown=shown, earlier=earlier)
    moved = compare.in_depth(pair, MARK, "at")
    assert asked == [("apart", "doubt", (view, (2, 3, 3), "at"), ("then", (4, 5, 3), "at"))]
    assert moved.offset_mm == pytest.approx((3.0 + 0.1 * unit_mm, -4.0 - 0.2 * unit_mm))
    assert moved.sigma_mm == pytest.approx(np.hypot(MARK.sigma_mm, np.array([0.04, 0.06]) * unit_mm))
    assert moved.width_mm == MARK.width_mm


def test_a_crop_is_in_the_candidate_s_colour(monkeypatch):
    """What changed, what was there, and how far it was from bare tape; other marks have no weight."""
    asked = {}

    def shared_detail(after, expected, inside, alike):
        asked.update(inside=inside, alike=alike)
        return expected + 10

    def evened(gone, weight, grid, spots):
        asked.update(gone=gone, spots=spots)
        return gone + 1

    def weights(window, grid, others):
        asked["others"] = others
        return "weight"

    monkeypatch.setattr(compare, "shared_detail", shared_detail)
    monkeypatch.setattr(compare, "evened", evened)
    monkeypatch.setattr(compare, "crop_weights", weights)
    shown = SimpleNamespace(blurred_mm2=lambda: (0.1, 0.2))
    pair = SimpleNamespace(
        seen=lambda grid: AFTER, expected=lambda grid: TAPE - 50, unburnt=lambda grid: TAPE, window=WINDOW,
        mismatch=STAND, shown=shown, otherwise=lambda grid: [],
    )  # fmt: skip
    rim = Grid((19.0, -4.0), 0.2, 41)  # a crop that reaches beyond the window
    one = candidate((19.0, -4.0))
    near, far = candidate((21.0, -4.0), strength=9.0), candidate((9.0, 9.0), strength=9.0)
    old = SimpleNamespace(spot="old")
    patch, tape = compare._patch(pair, one, [near, far], rim, [old])
    assert tape == pytest.approx(160.0)
    assert patch.change == pytest.approx((AFTER - 160.0) @ COLOUR, abs=1e-3)
    assert patch.known == pytest.approx(-160.0, rel=1e-5)  # the colour's parts sum up to -1
    assert asked["gone"] == pytest.approx(40.0, rel=1e-5)
    assert patch.gone == pytest.approx(41.0, rel=1e-5)
    assert (patch.weight, patch.mismatch, patch.blur_mm2) == ("weight", STAND, (0.1, 0.2))
    assert asked["others"] == [far]  # what lies so near may be of the same mark
    assert asked["spots"] == ["old"]
    assert 0 < asked["inside"].sum() < asked["inside"].size
    assert np.array_equal(asked["inside"], rim.radius_mm() < 22.5)
    u, v = np.meshgrid(*rim.axes_mm())
    assert np.array_equal(asked["alike"], asked["inside"] & (np.hypot(u - 19, v + 4) > 1.5 * 2 + 0.2))


# two pictures made comparable


@pytest.mark.parametrize("by_hand", [False, True])
def test_tones_are_fitted_between_photos_by_hand_alone(monkeypatch, by_hand):
    side = window_grid(0.2).side
    level = {"seen": 90.0, "known": 100.0}
    flat = {name: np.full((side, side, 3), value, np.float32) for name, value in level.items()}
    asked = {}

    def tones(seen, expected, unburnt):
        asked.update(seen=seen, expected=expected, unburnt=unburnt)
        return "tone"

    tape = SimpleNamespace(expected=lambda grid, known: known)
    shown, earlier = (SimpleNamespace(on=lambda grid, name=name: flat[name]) for name in ("seen", "known"))
    monkeypatch.setattr(compare, "register", lambda *_: (shown, earlier))
    monkeypatch.setattr(compare, "fit_tape", lambda seen, known, grid: tape if known is not None else "bare")
    monkeypatch.setattr(compare, "light_change", lambda seen, expected, grid: 0 * seen)
    monkeypatch.setattr(compare, "_mismatch", lambda *_: BY_HAND if by_hand else STAND)
    monkeypatch.setattr(compare.Comparison, "expected", lambda self, grid: 2 * flat["known"])
    monkeypatch.setattr(compare.Comparison, "unburnt", lambda self, grid: 3 * flat["known"])
    monkeypatch.setattr(compare, "tone_between", tones)
    pair = compare.compare(None, VIEW, None, VIEW)
    assert (pair.tape, pair.bare, pair.shown, pair.earlier) == (tape, "bare", shown, earlier)
    assert (pair.window.pitch_mm, pair.window.side) == (0.2, side)
    assert pair.tone == ("tone" if by_hand else SAME)
    if by_hand:
        inside = (window_grid(0.2).radius_mm() < 22.5).sum()
        assert all(one.shape == (inside, 3) for one in asked.values())
        assert [float(one[0, 0]) for one in asked.values()] == [90.0, 200.0, 300.0]


def test_views_from_elsewhere_and_uneven_light_make_pictures_unlike(monkeypatch):
    slopes = {"now": np.array([0.3, 0.1]), "then": np.array([0.0, 0.5])}  # 0.5 apart
    monkeypatch.setattr(compare, "sight_slope", lambda view, shape, at: slopes[view])
    one, other = (
        SimpleNamespace(view=view, picture=np.zeros((2, 2, 3)), own=Sharpness(0, 0), blur_mm2=blur)
        for view, blur in (("now", (0.01, 0.02)), ("then", (0.0, 0.03)))
    )
    coefficients = np.ones((7, 3))
    coefficients[6] = 0.1, 1.0, 4.0  # a gain is taken for no less than a fifth
    inside = WINDOW.radius_mm() < 22.5
    light = np.where(inside[..., None], np.where(WIDE_U > 0, 0.3, -0.3)[..., None], 9.0) * np.ones(3)
    mismatch = compare._mismatch(one, other, SimpleNamespace(coefficients=coefficients), light, WINDOW)
    assert mismatch.shift_mm == pytest.approx(0.015 + 0.12 * 0.5)
    assert mismatch.blur_mm2 == pytest.approx(0.008 + 0.3 * 0.03)
    assert mismatch.gain == pytest.approx(0.03 + 0.3 * np.log(5) + 0.3 + 0.5)


@pytest.mark.parametrize(
    ("share", "listed_at", "older"),
    [
        (0.71, None, True),  # not listed: a lamp's image may hide it
        (0.69, None, False),
        (0.71, (3.5, -4.0), False),  # on a listed one a new mark may lie
        (0.84, (3.5, -4.0), False),
        (0.86, (3.5, -4.0), True),
        (0.71, (5.5, -4.0), True),  # a listed one beside it
    ],
)
def test_what_has_the_outline_of_an_older_mark_is_not_new_by_hand(monkeypatch, share, listed_at, older):
    monkeypatch.setattr(compare, "was_there", lambda *_: share)
    listed = [] if listed_at is None else [SimpleNamespace(spot=made(listed_at))]
    for mismatch, wanted in ((BY_HAND, older), (STAND, False)):
        patch = Patch(CROP, CHANGE, 0 * U, 0 * U, np.ones(U.shape), mismatch)
        assert compare._is_older(patch, made(), listed) == wanted
