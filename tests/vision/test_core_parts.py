"""`read` with each part given: what is searched in which light, and what is answered."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_pairs import VIEW

from vision import candidates as search
from vision import core, find
from vision.light import darker
from vision.on_top import BETWEEN_PICTURES
from vision.reading import Mark, NoReading, Reading

FLAT = np.full((231, 231, 3), 150.0, np.float32)


@dataclass(frozen=True)
class Found:
    name: str
    mark: Mark
    spot: SimpleNamespace
    brighter: float = -0.5


def found(name, *, at=(1.0, 2.0), height=80.0, sigma=0.02) -> Found:
    mark = Mark(at, (sigma, sigma), (4.0, 3.0), "round")
    return Found(name, mark, SimpleNamespace(height=height, centre=np.array(at)))


# the marks of one picture


@pytest.fixture
def searched(monkeypatch):
    """All marks of a picture whose searches find what is given, and what was asked of each search."""

    def run(answers, *, outstanding=True):
        asked = []

        def marks_of(scene, flat, *, new, only=None, cores=False):
            assert flat is FLAT
            light = None if scene.light is None else float(scene.light[0, 0, 0])
            asked.append((new, "cores" if cores else only, light))
            return answers[len(asked) - 1]

        def lamps(seen, expected, grid):
            assert seen is FLAT and float(expected[0, 0, 0]) == 140.0
            return np.full((231, 231, 3), 0.5, np.float32)

        def stands_out(seen, expected, inside, share):
            assert seen is FLAT and share == 0.18
            assert float(expected[0, 0, 0]) == pytest.approx(140.0 * 1.5)
            assert inside.sum() == (core.window_grid(0.2).radius_mm() < 22.5).sum()
            return outstanding

        tape = SimpleNamespace(expected=lambda grid, before: FLAT - 10)
        monkeypatch.setattr(core, "flatten_view", lambda *_: FLAT)
        monkeypatch.setattr(core, "fit_tape", lambda *_: tape)
        monkeypatch.setattr(core, "sharpness", lambda *_: SimpleNamespace(sd_mm=0.3))
        monkeypatch.setattr(core, "_marks_of", marks_of)
        monkeypatch.setattr(core, "lamps", lamps)
        monkeypatch.setattr(core, "stands_out", stands_out)
        return core.marks_on("picture", VIEW, new=False), asked

    return run


@pytest.mark.parametrize(
    ("answers", "outstanding", "wanted", "searches"),
    [
        ([["a"]], True, ["a"], [(None, None)]),
        ([[], ["b"]], True, ["b"], [(None, None), (None, 0.5)]),
        ([[], [], ["c"]], True, ["c"], [(None, None), (None, 0.5), (darker, 0.5)]),
        ([[], [], [], ["d"]], True, ["d"], [(None, None), (None, 0.5), (darker, 0.5), ("cores", 0.5)]),
        ([[], [], [], []], True, [], [(None, None), (None, 0.5), (darker, 0.5), ("cores", 0.5)]),
        ([[]], False, [], [(None, None)]),
    ],
)
def test_marks_are_sought_beyond_lamps_where_none_is_found_at_once(
    searched, answers, outstanding, wanted, searches
):
    marks, asked = searched(answers, outstanding=outstanding)
    assert marks == wanted
    assert asked == [(False, *search) for search in searches]


def test_each_candidate_is_measured_among_the_others(monkeypatch):
    asked = {}

    def mark_at(scene, one, others, *, new, lamp):
        asked[one] = (others, new, lamp)
        return None if one == "b" else found(one)

    def find_candidates(rest, inside, grid):
        asked["rest"] = rest
        return SimpleNamespace(listed=[*"abc", *"x" * 20])

    def same_direction(shares, older):
        asked["ways"] = (shares, older)
        return [True, False] + [True] * (len(shares) - 2)

    monkeypatch.setattr(core, "_mark_at", mark_at)
    monkeypatch.setattr(core, "find_candidates", find_candidates)
    monkeypatch.setattr(core, "same_direction", same_direction)
    grid = core.window_grid(0.2)
    scene = SimpleNamespace(grid=grid, unmarked=lambda grid: FLAT - 20)
    marks = core._marks_of(scene, FLAT, new=None)
    assert (asked["rest"] == 20.0).all()
    assert asked["a"] == (["b", "c", *"x" * 9], None, False)  # twelve candidates in all
    assert asked["ways"] == ([-0.5] * 11, [])
    assert [one.name for one in marks] == ["a", *"x" * 9]
    core._marks_of(scene, FLAT, new=None, only=lambda rest: -rest)
    assert (asked["rest"] == -20.0).all()


def test_what_stands_out_of_each_candidate_is_measured_in_its_place(monkeypatch):
    asked = []

    def core_of(one, rest, grid):
        assert (rest == 20.0).all()
        return None if one == "b" else f"core of {one}"

    def mark_at(scene, one, others, *, new, lamp):
        asked.append((one, others, lamp))

    monkeypatch.setattr(core, "core_of", core_of)
    monkeypatch.setattr(core, "_mark_at", mark_at)
    monkeypatch.setattr(core, "find_candidates", lambda *_: SimpleNamespace(listed=["a", "b", "c"]))
    scene = SimpleNamespace(grid=core.window_grid(0.2), unmarked=lambda grid: FLAT - 20)
    assert core._marks_of(scene, FLAT, new=None, cores=True) == []
    assert asked == [("core of a", ["core of c"], True), ("core of c", ["core of a"], True)]


# two pictures


@pytest.fixture
def between(monkeypatch):
    """What is new between two pictures in which so many marks are found."""

    def run(new, old=(), again=None, several=False):
        asked = {}

        def on_top(marks, contrast, least):
            asked["on_top"] = (marks, contrast, least)
            return replace(marks[0], new=True) if marks else None

        monkeypatch.setattr(
            core, "marks_on", lambda picture, view, *, new: asked.update(new=new) or list(old)
        )
        monkeypatch.setattr(core, "compare", lambda *given: given)
        monkeypatch.setattr(
            core, "changes", lambda pair, earlier: asked.update(pair=pair, earlier=earlier) or list(new)
        )
        monkeypatch.setattr(core, "repeated_pulse", lambda pair, new, earlier: (new, again, several))
        monkeypatch.setattr(core, "on_top", on_top)
        view = replace(VIEW, markers_seen=3)
        return (*core.read_between("nozzle", "after", view, "before", "then"), asked)

    return run


def test_new_marks_come_first_and_older_ones_follow(between):
    old = found("old", at=(-9.0, 0.0))
    new = [found("a"), found("b", at=(8.0, 2.0), height=30.0), found("c", at=(-3.0, 9.0), height=19.0)]
    reading, follower, asked = between(new, [old])
    assert isinstance(reading, Reading) and reading.station == "nozzle"
    assert [mark.offset_mm for mark in reading.marks] == [(1.0, 2.0), (8.0, 2.0), (-9.0, 0.0)]
    assert reading.warnings == (
        "only 3 of the card's four black squares are visible",
        "something much fainter at -3.0, +9.0 mm was not taken for a mark",
    )
    assert asked["pair"][0] == "after" and asked["pair"][2:] == ("before", "then")
    assert asked["earlier"] == [old] and asked["new"] is False
    assert (follower.name, follower.mark) == ("a", reading.marks[0])


def test_where_nothing_is_new_and_old_pulses_lie_in_several_places_none_of_them_is_told(between):
    reading, _, asked = between([], [found("old")], again=found("on it").mark, several=True)
    assert isinstance(reading, NoReading) and reading.on_top is None and "on_top" not in asked


def test_where_nothing_is_new_it_may_lie_on_the_old_mark(between):
    reading, follower, _ = between([])
    assert isinstance(reading, NoReading) and follower is None
    assert (reading.kind, reading.station, reading.on_top) == ("no-mark", "nozzle", None)
    assert "missed the card" in reading.reason and "old mark" not in reading.reason
    old = [found("a", height=50.0), found("b", height=40.0)]
    reading, _, asked = between([], old)
    assert asked["on_top"] == ((old[0].mark, old[1].mark), 40.0, BETWEEN_PICTURES)
    assert reading.on_top.new is True and "old mark" in reading.reason


def test_where_a_fit_places_the_pulse_on_the_old_mark_that_is_where_it_may_lie(between):
    place = found("a", at=(1.2, 2.1)).mark
    assert between([], [found("a")], again=place)[0].on_top is place
    assert between([], [], again=place)[0].on_top is None
    assert between([found("b")], [found("a")], again=place)[0].marks[0].offset_mm == (1.0, 2.0)


@pytest.mark.parametrize(("sigma", "sure"), [(0.29, 2), (0.31, 1)])
def test_beside_a_mark_that_is_sure_a_tenth_of_the_width_is_vague(between, sigma, sure):
    """The lesser width: 3 mm."""
    reading, _, _ = between([found("a"), found("b", at=(8.0, 2.0), sigma=sigma)])
    assert len(reading.marks) == sure


# from a picture to an answer


@pytest.fixture
def answer_to(monkeypatch):
    """Reads pictures whose cards and marks are given by the pictures' names."""

    def run(cards, after, before=None, *, marks=(), camera=None):
        monkeypatch.setattr(core, "find_card", lambda picture, *, bar_mm: cards[picture])
        monkeypatch.setattr(core, "marks_on", lambda picture, view, *, new: list(marks))
        monkeypatch.setattr(core, "read_between", lambda *given: (given, None))
        return core.read(after, before, camera=camera)

    return run


CARDS = {
    "one": ("mirror-1", VIEW),
    "two": ("mirror-2", VIEW),
    "small": ("mirror-1", replace(VIEW, size="small")),
    "none": NoReading("no card found", "no-card"),
}


def test_one_picture_tells_its_marks_or_that_there_are_none(answer_to):
    strong, weak = found("a"), found("b", at=(8.0, 2.0), height=10.0)
    reading = answer_to(CARDS, "one", marks=[strong, weak])
    assert (reading.station, reading.marks, reading.card) == ("mirror-1", (strong.mark,), VIEW)
    assert len(reading.warnings) == 1 and "much fainter at +8.0, +2.0" in reading.warnings[0]
    blank = answer_to(CARDS, "one")
    assert (blank.kind, blank.card, blank.station) == ("no-mark", VIEW, "mirror-1")
    assert "no mark on the card" in blank.reason
    assert answer_to(CARDS, "none") is CARDS["none"]


@pytest.mark.parametrize(
    ("after", "before", "said"),
    [
        ("one", "none", "the picture before the pulse cannot be used: no card found"),
        ("one", "two", "the picture before shows the card of mirror-2, the one after that of mirror-1"),
        ("one", "small", "the picture before shows the card of mirror-1"),
    ],
)
def test_two_pictures_are_of_one_card(answer_to, after, before, said):
    answer = answer_to(CARDS, after, before)
    assert answer.reason.startswith(said)
    assert (answer.kind, answer.card, answer.station) == ("no-card", VIEW, "mirror-1")


def test_two_pictures_of_one_card_are_compared(answer_to):
    assert answer_to(CARDS, "one", "one") == ("mirror-1", "one", VIEW, "one", VIEW)
    assert answer_to(CARDS, "none", "one") is CARDS["none"]


def test_both_pictures_are_straightened(answer_to):
    camera = SimpleNamespace(straighten=lambda picture: {"raw": "one", "other": "two"}[picture])
    assert answer_to(CARDS, "raw", camera=camera).station == "mirror-1"
    assert "mirror-2" in answer_to(CARDS, "raw", "other", camera=camera).reason


# the card in a picture


@pytest.mark.parametrize(("count", "bent"), [(2, False), (3, True), (4, True)])
def test_three_markers_may_tell_a_bent_card(monkeypatch, count, bent):
    square = np.array([(0.0, 0.0), (50.0, 0.0), (50.0, 50.0), (0.0, 50.0)])
    corners = {i: np.add(square, (150.0 * i, 0.0)) for i in range(4)}
    markers = [find.Marker(i, corners[i]) for i in range(count)]
    fits = {
        None: SimpleNamespace(misfit_px=1.0, homography=np.eye(3)),
        "bend": SimpleNamespace(misfit_px=0.1),
    }
    for fit in fits.values():
        fit.bend_over_sd = 99.0
    monkeypatch.setattr(find, "fit_edges", lambda grey, edges, start, bend=None: fits[bend])
    monkeypatch.setattr(find, "first_bend", lambda *_: "bend")
    answer = find._flat_or_bent(np.zeros((9, 9), np.uint8), [], np.eye(3), corners, markers)
    assert answer is fits["bend" if bent else None]


@pytest.mark.parametrize(("worst", "kept"), [(0.12, 0), (0.119, 2)])
def test_two_markers_that_are_just_too_far_off_are_no_card(monkeypatch, worst, kept):
    monkeypatch.setattr(find, "_misfits", lambda card, markers: np.full(len(markers), worst))
    monkeypatch.setattr(find, "_on_cylinder", lambda *_: False)
    markers = [find.Marker(i, np.zeros((4, 2))) for i in range(2)]
    assert len(find._agreeing(find.CardName("mirror-1"), markers, (9, 9))) == kept


def test_four_markers_off_by_six_tenths_of_a_side_lie_on_no_cylinder(monkeypatch):
    monkeypatch.setattr(find, "_misfits", lambda card, markers: np.full(len(markers), 0.6))
    monkeypatch.setattr(find, "_on_cylinder", lambda *_: True)
    square = np.array([(0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0)])
    markers = [find.Marker(i, square) for i in range(4)]
    assert find._agreeing(find.CardName("mirror-1"), markers, (9, 9)) == []


# the search


@pytest.mark.parametrize(
    ("strengths", "kept"),
    [
        ([8.1], [8.1]),
        ([8.0], []),  # the least peak
        ([9.0, 8.1, 7.9], [9.0, 8.1]),
        ([400.0, 12.1, 11.9], [400.0, 12.1]),  # and 0.03 of the strongest
        ([12.1, 400.0], [400.0, 12.1]),  # strongest first
        ([], []),
    ],
)
def test_a_candidate_stands_out_by_itself_and_beside_the_strongest(monkeypatch, strengths, kept):
    grid = search.Grid((0.0, 0.0), 0.5, 93)
    inside = grid.radius_mm() < 22.5
    rest = np.random.default_rng(1).normal(0, 1, (93, 93, 3)).astype(np.float32)
    rest[46:49, 46:49] = 90.0  # one blob, in which the candidates are given

    def candidates(blob, *_):
        if not blob[47, 47]:
            return []
        masks = np.eye(len(strengths), 93 * 93, dtype=bool).reshape(-1, 93, 93)
        return [
            search.Candidate((0.0, 0.0), 1.0, mask, np.ones(3), size)
            for mask, size in zip(masks, strengths, strict=True)
        ]

    monkeypatch.setattr(search, "_candidates", candidates)
    assert [one.strength for one in search.find_candidates(rest, inside, grid).listed] == kept
