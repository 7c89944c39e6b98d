"""Functions of the events and the drawn machines: tables of small cases, and sums written out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from server.solver import parse_alignment
from server.solver.decide import faults, move_choice, next_step, proof, situation
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View, look
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate import screws
from server.solver.events import Difference, Event, Inspected, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import model as m
from tests.solver.test_proof import FIVE, straight

Array = NDArray[Any]


@lru_cache
def seen() -> View:
    return look(parse_alignment(straight().document()))


def at(*events: Event, **more: Any) -> View:
    """The view of a straight machine as if only these events had happened."""
    return replace(seen(), alignment=replace(seen().alignment, events=events), **more)


def mark(
    station: str = "mirror-3", head: Sequence[float] = (0.0, 0.0), sigma: float = 0.05, **more: Any
) -> MarkSeen:
    return MarkSeen(station, (head[0], head[1]), (0.0, 0.0), (sigma, sigma / 2), **more)


def blank(station: str = "mirror-3", head: Sequence[float] = (0.0, 0.0), **more: Any) -> NoMark:
    return NoMark(station, (head[0], head[1]), **more)


TURN, SHIFT, FIXED = Turn(1, "top", 0.5), Shift("tube", (0.0, 1.0, 0.0)), Inspected("rail-bow", "fixed")
LOOKED = Inspected("rail-bow", "nothing-found")
BETWEEN = Difference("mirror-3", (0.0, 0.0), (600.0, 0.0), (0.0, 0.0), (0.1, 0.1))


@pytest.mark.parametrize(
    ("events", "missed", "last"),
    [
        ([], False, 0),
        ([mark(head=FIVE[4])], False, 4),
        ([mark(head=FIVE[4]), blank(head=FIVE[1])], True, 1),
        ([blank(head=FIVE[1]), mark(head=FIVE[3])], False, 3),
        ([blank(head=FIVE[2]), TURN], True, 2),
        ([mark(head=(10.0, 380.0)), LOOKED], False, 0),
    ],
)
def test_the_newest_pulse_says_where_the_head_is_and_whether_it_was_missed(
    events: list[Event], missed: bool, last: int
) -> None:
    assert situation.missed(at(*events)) is missed
    assert situation.last_position(at(*events)) == last


def test_the_next_mark_claims_what_the_last_three_did() -> None:
    assert situation.next_sigma(at()) == 0.1
    sigmas = (9.0, 0.4, 0.1, 0.2)
    assert situation.next_sigma(at(*(mark(sigma=s) for s in sigmas), blank())) == 0.2
    assert situation.next_sigma(at(mark(sigma=0.3), mark(sigma=0.5))) == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("events", "empty"),
    [
        ([blank(head=FIVE[4])], {(2, 4)}),
        ([blank(head=FIVE[4]), mark(), blank("nozzle", FIVE[2]), BETWEEN], {(2, 4), (3, 2)}),
        ([blank(head=FIVE[4]), TURN, blank(head=FIVE[1])], {(2, 1)}),
        ([blank(head=FIVE[4]), SHIFT], set()),
        ([blank(head=FIVE[4]), LOOKED], set()),
        ([blank("below", FIVE[2])], {(5, 2)}),
        ([mark()], set()),
    ],
)
def test_a_blank_is_known_until_something_was_moved_or_looked_at(
    events: list[Event], empty: set[tuple[int, int]]
) -> None:
    assert situation.blank_places(at(*events)) == empty


@pytest.mark.parametrize(
    ("events", "numbered"),
    [
        ([], False),
        ([mark()], False),
        ([mark(), blank(hanging=2)], True),
        ([mark(hanging=0)], True),
        ([TURN], False),
    ],
)
def test_hangings_are_numbered_where_one_is(events: list[Event], numbered: bool) -> None:
    assert situation.numbered(at(*events)) is numbered


def test_a_repair_voids_the_marks_behind_the_first_mirror_that_it_reached() -> None:
    marks = [mark(station) for station in ("mirror-1", "mirror-2", "mirror-3", "nozzle", "below")]
    for reached, left in (
        (1, {"mirror-1"}),
        (2, {"mirror-1", "mirror-2"}),
        (3, {"mirror-1", "mirror-2", "mirror-3"}),
    ):
        mixture = replace(seen().mixture, repairs=(reached,))
        assert situation.seen_stations(at(*marks, FIXED, mixture=mixture)) == left
        assert situation.seen_stations(at(*marks, FIXED, marks[3], mixture=mixture)) == left | {"nozzle"}
        assert situation.seen_stations(at(*marks, LOOKED, mixture=mixture)) == {e.station for e in marks}
    both = replace(seen().mixture, repairs=(3, 2))
    assert situation.seen_stations(at(*marks, FIXED, FIXED, mixture=both)) == {"mirror-1", "mirror-2"}


@pytest.mark.parametrize("index", range(12))
def test_a_place_of_the_grid_is_nearest_to_itself(index: int) -> None:
    x, y = o.grid(seen().profile)[index]
    assert situation.nearest(seen().profile, (x, y)) == index
    assert situation.nearest(seen().profile, (x + 20.0, y - 15.0)) == index


def test_the_machines_that_moves_are_weighed_on_and_the_others_are_pairs_of_opposites() -> None:
    some, others = situation.apart(seen())
    assert (len(some.samples.x), len(others.samples.x)) == (96, 160)
    for part in (some, others):
        half = len(part.samples.x) // 2
        np.testing.assert_array_equal(part.samples.noise[:half], -part.samples.noise[half:])
        assert len(part.numbers) == len(part.rays.offset_mm) == 2 * half
    both = np.concatenate([some.samples.x, others.samples.x])
    assert len(np.unique(both[:, 0])) == len(np.unique(seen().samples.x[:, 0]))
    np.testing.assert_array_equal(some.numbers, o.ratios(seen().profile, some.rays))


@pytest.mark.parametrize(
    ("stage", "keys", "loose"), [(0, 1, False), (1, 3, False), (2, 5, True), (3, 7, True), (4, 7, True)]
)
def test_a_stage_is_good_where_all_its_numbers_are_and_behind_mirror_2_no_mount_is_loose(
    stage: int, keys: int, loose: bool
) -> None:
    numbers = np.zeros((8, 7))
    fault = np.zeros(8, dtype=int)
    fault[0] = b.LOOSE
    samples = replace(seen().samples.only(np.arange(8)), fault=fault)
    for key in range(7):
        spoilt = numbers.copy()
        spoilt[1:4, key] = 1.2
        view = replace(seen(), samples=samples, numbers=spoilt)
        bad = 3 * (key < keys) + loose
        assert situation.probability(view, stage) == pytest.approx(1 - bad / 8)
        assert situation.probability(view, stage, 1.3) == pytest.approx(1 - loose / 8)
    exact = replace(seen(), samples=samples, numbers=np.ones((8, 7)))
    assert situation.probability(exact, stage) == pytest.approx(1 - loose / 8)


@pytest.mark.parametrize("station", range(4))
def test_a_mark_errs_by_reading_tape_beam_and_a_card_that_is_hung_for_it(station: int) -> None:
    view = at(mark(sigma=0.2))
    place, profile = Place(station, 4), view.profile
    gap = profile.tube.far_mount_mm - profile.tube.exit_mount_mm
    swung = gap * view.jacobian.offset_mm[2:4, 4, station]
    each = []
    for i, noise in enumerate(view.mixture.noise):
        kind = b.NOISES[noise]
        pulse = kind.pulse_mm**2 + b.MODEL_SD**2 + kind.jitter**2 * (swung**2).sum() / 2 + 0.2**2
        each.append(view.mixture.pulse_scale[i] * pulse + view.mixture.hang_var(place.station)[i])
    expected = 1 / (view.mixture.weight @ (1 / np.array(each)) / view.mixture.weight.sum())
    elsewhere = replace(view, mixture=replace(view.mixture, hung=("below", 1)))
    assert situation.mark_variance(elsewhere, place) == pytest.approx(expected)
    hung = replace(
        view, mixture=replace(view.mixture, hung=(f"mirror-{station + 1}" if station < 3 else "nozzle", 1))
    )
    assert situation.mark_variance(hung, replace(place, anew=True)) == pytest.approx(expected)
    assert situation.mark_variance(hung, place) < expected
    assert hung.here == station and at(mixture=replace(view.mixture, hung=None)).here == -1
    spot = view.rays.offset_mm[:, 4, station]
    np.testing.assert_array_equal(situation.marks_at(elsewhere, place), spot)
    np.testing.assert_array_equal(situation.marks_at(hung, place), m.on_card(spot, view.samples.x))
    np.testing.assert_array_equal(situation.marks_at(hung, replace(place, anew=True)), spot)


def test_moves_are_pushed_through_all_machines_one_after_the_other() -> None:
    view = seen()
    moved = situation.after_moves(view, [SHIFT, Shift("mirror-3", (0.0, 0.0, 0.5))])
    change = moved.samples.x - view.samples.x
    assert change[:, 0:3:2].mean() == pytest.approx(1.0, abs=0.05)
    np.testing.assert_allclose(moved.rays.offset_mm, o.pushed(view.rays, view.jacobian, change).offset_mm)
    np.testing.assert_allclose(moved.numbers, o.ratios(view.profile, moved.rays))
    turned = situation.after_moves(view, [Turn(2, "top", 0.25)])
    likely = screws.CODES[0]
    assert 0 < len(turned.samples.x) < len(view.samples.x)
    assert set(turned.samples.sign[:, 3]) == {likely}
    assert len(turned.rays.offset_mm) == len(turned.numbers) == len(turned.samples.x)


# faults


def test_a_cause_is_as_probable_as_the_hypotheses_that_suppose_it() -> None:
    mixture = b.prior(seen().profile)
    told = faults.causes(mixture)
    assert told == pytest.approx({"gantry-racking": 0.02, "rail-bow": 0.02, "loose-mount": 0.02})


@pytest.mark.parametrize(
    ("events", "answers"),
    [
        (
            [LOOKED, Inspected("rail-bow", "not-fixed"), Inspected("loose-mount", "not-fixed")],
            ["nothing-found", "not-fixed"],
        ),
        ([LOOKED, FIXED], []),
        ([LOOKED, Inspected("loose-mount", "fixed"), LOOKED], ["nothing-found"]),
        ([mark(), TURN], []),
    ],
)
def test_what_was_found_counts_until_something_is_fixed(events: list[Event], answers: list[str]) -> None:
    assert faults._answers(at(*events), "rail-bow") == answers


@pytest.mark.parametrize(
    ("events", "blanks"),
    [
        ([mark(), blank()], 1),
        ([mark(), blank(), blank()], 2),
        ([mark(), blank(), mark(head=FIVE[2]), blank()], 2),
        ([mark(), blank(head=FIVE[2]), blank()], 1),
        ([mark(), BETWEEN, blank()], 1),
        ([mark(), TURN, blank()], 0),
        ([mark(head=FIVE[2]), blank()], 0),
        ([mark("nozzle"), blank()], 0),
        ([blank(), blank()], 0),
        ([blank(), mark()], 0),
    ],
)
def test_blanks_are_counted_where_a_mark_was_and_nothing_moved(events: list[Event], blanks: int) -> None:
    assert faults._blanks_since_mark(at(*events)) == blanks


@pytest.mark.parametrize(
    ("events", "found"),
    [
        ([], None),
        ([mark(), TURN], None),
        ([mark()], None),
        ([mark(), blank()], Choice("mark", place=Place(2, 1), why="blank")),
        ([mark(), blank(), blank()], Choice("mark", place=Place(2, 1), why="blank")),
        ([mark(), *[blank()] * 3], Choice("inspect", cause="loose-mount")),
        ([mark(), *[blank()] * 4], None),
    ],
)
def test_a_blank_where_a_mark_was_is_made_again_and_then_the_mount_is_looked_at(
    events: list[Event], found: Choice | None
) -> None:
    sure = replace(seen().mixture, doubt=0.0)
    assert faults.doubtful(at(*events, mixture=sure)) == found


@pytest.mark.parametrize(
    ("events", "found"),
    [
        ([mark()], Choice("mark", place=Place(2, 1), why="doubt")),
        ([mark(), mark()], None),  # it was made again already
        ([mark(head=FIVE[2]), mark()], Choice("mark", place=Place(2, 1), why="doubt")),
        ([mark("nozzle"), mark()], Choice("mark", place=Place(2, 1), why="doubt")),
        ([blank(), mark()], Choice("mark", place=Place(2, 1), why="doubt")),
        ([mark(), TURN, blank(head=FIVE[4])], Choice("mark", place=Place(2, 4), why="blank")),
        ([mark(), TURN], None),
    ],
)
def test_what_nothing_explains_is_made_again_once(events: list[Event], found: Choice | None) -> None:
    doubting = replace(seen().mixture, doubt=0.9)
    assert faults.doubtful(at(*events, mixture=doubting)) == found


@pytest.mark.parametrize(
    ("before", "blanks", "position"),
    [
        ([mark(head=FIVE[1])], 10, 1),
        ([mark(head=FIVE[1])], 20, 5),
        ([mark(head=FIVE[1])], 9, None),
        ([mark(head=FIVE[1])], 11, None),
        ([mark(head=FIVE[1])], 130, 1),  # after all twelve places the first again
        ([], 10, None),
        ([mark(head=FIVE[4]), mark(head=FIVE[1])], 10, 1),
    ],
)
def test_after_every_ten_blanks_it_is_looked_for_where_it_was_seen_and_outwards(
    before: list[Event], blanks: int, position: int | None
) -> None:
    choice = faults.lost(at(*before, *[blank(head=FIVE[4])] * blanks))
    expected = None if position is None else Choice("mark", place=Place(2, position), why="lost")
    assert choice == expected
    assert faults.lost(at(*before, *[blank(head=FIVE[4])] * blanks, TURN)) is None


def test_a_beam_lost_below_the_nozzle_is_looked_for_at_it() -> None:
    choice = faults.lost(at(mark("below", FIVE[2]), *[blank("below", FIVE[2])] * 10))
    assert choice is not None and choice.place == Place(3, 2)


def test_outside_two_normals_diverge_by_half_the_sum_of_both_ways() -> None:
    """By drawing: the mean of the difference of the log densities, both ways (Kullback and Leibler, 1951)."""
    rng = np.random.default_rng(5)
    one, two = np.array([0.1, 0.2]), np.array([0.4, -0.1])
    wide, narrow = np.array([(0.5, 0.1), (0.1, 0.3)]), np.array([(0.2, 0.0), (0.0, 0.4)])
    p, q = multivariate_normal(one, wide), multivariate_normal(two, narrow)
    x, y = (d.rvs(200_000, random_state=rng) for d in (p, q))
    both = (p.logpdf(x) - q.logpdf(x)).mean() + (q.logpdf(y) - p.logpdf(y)).mean()
    assert faults._divergence(one, wide, two, narrow) == pytest.approx(both / 2, rel=0.02)
    assert faults._divergence(one, wide, one, wide) == pytest.approx(0.0)
    assert faults._divergence(one, wide, two + 99.0, wide) == 10.0


@pytest.mark.parametrize(("swing_mm", "harms"), [(0.3, False), (0.5, True)])
def test_a_fault_that_moves_marks_by_less_than_the_tolerance_can_spare_does_no_harm(
    swing_mm: float, harms: bool
) -> None:
    profile = seen().profile
    reach_m2 = profile.path.mirror_2_to_3_mm[1] * profile.bed.depth_mm * 1e-6
    mixture = b.take(b.prior(profile), np.flatnonzero(b.prior(profile).fault == 1)[:1], np.zeros(1))
    mixture.mean[0, m.RACK.start] = swing_mm / reach_m2
    assert faults._harmful(at(mixture=mixture), "gantry-racking") is harms
    assert faults._harmful(at(mixture=mixture), "loose-mount")


# proof


@pytest.mark.parametrize("size", [0.25, -0.5, 2.0])
def test_a_hand_errs_by_a_share_of_what_it_turns(size: float) -> None:
    turned = np.sqrt((b.HAND_RELATIVE * size) ** 2 + b.HAND_TURNS**2) / abs(size)
    assert proof._hand_errs(Turn(1, "top", size)) == pytest.approx(turned)
    assert proof._hand_errs(Shift("tube", (0.0, size, 0.0))) == b.HAND_RELATIVE


def test_marks_that_moved_alike_are_not_doubted_against_each_other() -> None:
    alike = np.broadcast_to([3.0, -1.0], (2, 5, 2)).copy()
    assert proof._doubt(proof._Moves(alike, np.array([0.1, 0.2]))) == pytest.approx(0.0)
    alike[0, 4] += (0.5, 0.0)
    alike[1, 0] += (0.0, 1.0)
    # the mark that moved is four fifths of its move off their mean; hand errors add up as squares
    doubt = np.hypot(0.1 * 0.4, 0.2 * 0.8)
    assert proof._doubt(proof._Moves(alike, np.array([0.1, 0.2]))) == pytest.approx(doubt)
    assert proof._doubt(None) == np.inf
    assert proof._doubt(proof._Moves(np.zeros((0, 5, 2)), np.zeros(0))) == 0.0


@pytest.mark.parametrize("away", [0.0, 0.05, 0.07])
def test_a_mark_near_a_position_is_one_of_it(away: float) -> None:
    near = (600.0 * away, 0.0)  # the longer side of the bed is 600 mm
    moves = proof._moves_since(at(mark(head=near), TURN, SHIFT), 2, 1)
    assert (moves is not None) is (away < 0.06)
    if moves is not None:
        assert moves.marks.shape == (2, 5, 2) and len(moves.errs) == 2
        shift = seen().jacobian.offset_mm[[0, 2], :5, 2].sum(0)  # both ends of the tube by a millimetre
        np.testing.assert_allclose(moves.marks[0], shift)
    assert proof._moves_since(at(mark(head=near)), 2) is not None
    assert proof._moves_since(at(mark("nozzle", near)), 2) is None


@pytest.mark.parametrize(("reached", "holds"), [(1, False), (2, False), (3, True)])
def test_a_mark_holds_after_a_repair_behind_its_card(reached: int, holds: bool) -> None:
    mixture = replace(seen().mixture, repairs=(reached,))
    assert (proof._moves_since(at(mark(), FIXED, mixture=mixture), 2) is not None) is holds


def test_what_an_earlier_move_did_is_linear_in_it() -> None:
    view = seen()
    np.testing.assert_allclose(
        proof.worked(view, Turn(2, "top", 0.5)), 2 * proof.worked(view, Turn(2, "top", 0.25))
    )
    np.testing.assert_allclose(proof.worked(view, SHIFT), m.shift_matrix("tube") @ [0.0, 1.0, 0.0])
    assert not proof.worked(view, LOOKED).any()


# next step


@pytest.mark.parametrize(
    ("place", "minutes"),
    [
        (Place(3, 2), 0.5),  # the card hangs, the head stands there
        (Place(3, 2, anew=True), 1.5),
        (Place(3, 1), 0.8),
        (Place(2, 2), 1.5),
        (Place(2, 1), 1.8),
        (Place(m.BELOW_AT, 2), 5.5),
        (Place(m.BELOW_AT, 1), 5.8),
    ],
)
def test_a_mark_takes_the_pulse_the_card_the_walk_and_the_lens(place: Place, minutes: float) -> None:
    view = at(mark("nozzle", FIVE[2]), mixture=replace(seen().mixture, hung=("nozzle", None)))
    assert next_step.minutes(view, place) == pytest.approx(minutes)


@pytest.mark.parametrize(("stage", "own"), [(0, [0]), (1, [1, 2]), (2, [3, 4]), (3, [5, 6]), (4, [])])
def test_each_number_belongs_to_the_first_stage_that_counts_it(stage: int, own: list[int]) -> None:
    assert list(range(7))[next_step._own_numbers(stage)] == own


@pytest.mark.parametrize(
    ("shift", "events", "again"),
    [
        (Shift("tube", (0.0, 3.0, 0.0)), [mark("mirror-1")], None),
        (Shift("tube", (0.0, 3.1, 0.0)), [mark("mirror-1")], 0),
        (Shift("tube-far", (0.0, 0.0, -4.0)), [mark("mirror-2")], 1),
        (Shift("tube", (0.0, 4.0, 0.0)), [mark("mirror-1"), mark("mirror-1")], None),
        (
            Shift("tube", (0.0, 4.0, 0.0)),
            [mark("mirror-1"), Shift("tube-exit", (0.0, 1.0, 0.0)), mark("mirror-1")],
            0,
        ),
        (Shift("mirror-2", (4.0, 0.0, 0.0)), [mark("mirror-1"), mark("mirror-2")], 1),
        (Shift("mirror-3", (4.0, 0.0, 0.0)), [mark("mirror-2"), mark("nozzle")], 3),
        (Shift("mirror-3", (4.0, 0.0, 0.0)), [mark("mirror-2")], None),
        (
            Shift("mirror-3", (4.0, 0.0, 0.0)),
            [mark("nozzle"), Shift("mirror-2", (1.0, 0.0, 0.0)), mark("nozzle")],
            None,
        ),
        (Turn(1, "top", 2.0), [mark("mirror-1")], None),
    ],
)
def test_a_long_shift_waits_for_a_second_mark_of_what_it_moves(
    shift: Event, events: list[Event], again: int | None
) -> None:
    place = next_step._once_more(at(*events), shift)
    assert place == (None if again is None else Place(again, 1))


@pytest.mark.parametrize(
    ("stations", "shown"),
    [
        ([], 0),
        (["mirror-1"], 0),
        (["mirror-2"], 1),
        (["mirror-1", "nozzle"], 3),
        (["mirror-3", "mirror-1"], 2),
    ],
)
def test_a_move_is_weighed_up_to_the_last_station_that_was_seen(stations: list[str], shown: int) -> None:
    assert next_step._last_seen(at(*(mark(station) for station in stations))) == shown


@pytest.mark.parametrize(
    ("stage", "stations"),
    [(0, {0}), (1, {0, 1}), (2, {1, 2}), (3, {1, 2, 3, 5}), (4, {0, 1, 2, 3, 5})],
)
@pytest.mark.parametrize("numbered", [False, True])
def test_a_stage_marks_its_own_station_and_those_before_it(
    stage: int, stations: set[int], numbered: bool
) -> None:
    last = mark("mirror-3", FIVE[2], hanging=1 if numbered else None)
    out = replace(seen().profile, lens=replace(seen().profile.lens, comes_out=True))
    mixture = replace(seen().mixture, hung=("mirror-3", 1))
    view = replace(at(last, mixture=mixture), alignment=replace(at(last).alignment, machine=out))
    places = next_step.candidates(view, stage)
    assert {place.station for place in places} == stations
    assert len(set(places)) == len(places)
    anew = [replace(place, anew=False) for place in places if place.anew]
    assert anew == ([p for p in places if p.station == 2 and not p.anew] if numbered else [])
    if stage >= 2:
        assert {place.position for place in places if place.station == 2} == set(range(5))
    if stage >= 1:
        assert {place.position for place in places if place.station == 1} == {0, 1}
    if stage >= 3:
        assert Place(m.BELOW_AT, 2) in places and {p.position for p in places if p.station == 3} == set(
            range(5)
        )
        fixed = replace(view.alignment, machine=seen().profile)
        assert (
            seen().profile.lens.comes_out
            or {5} & {p.station for p in next_step.candidates(replace(view, alignment=fixed), stage)} == set()
        )


def test_what_a_mark_tells_is_what_is_left_to_know_after_it() -> None:
    """For jointly normal numbers it is the variance that a linear fit to the mark explains."""
    rng = np.random.default_rng(6)

    def drawn(columns: int) -> Array:
        half = rng.standard_normal((2000, columns))
        return np.concatenate([half, -half])  # in pairs of opposites, as machines are drawn

    mark_mm = drawn(2) * (0.5, 2.0)
    numbers = mark_mm @ np.array([(1.0, 0.5, 0.0), (0.0, -1.0, 0.0)]) + 0.3 * drawn(3)
    removed = next_step._removed(numbers, mark_mm + 5.0, 0.25)
    read = np.cov(mark_mm.T) + 0.25 * np.eye(2)
    shared = np.cov(np.column_stack([numbers, mark_mm]).T)[:3, 3:]
    expected = np.einsum("ij,jk,ik->i", shared, np.linalg.inv(read), shared)
    np.testing.assert_allclose(removed, expected, atol=0.01)
    chance = [next_step._removed(numbers, drawn(2), 0.01)[2] for _ in range(200)]
    assert np.mean(chance) == pytest.approx(0.0, abs=2e-5)  # an independent mark explains nothing


def test_the_risk_of_each_part_is_told_beside_the_greatest() -> None:
    vectors = np.zeros((100, 6))
    vectors[:40, 0], vectors[:10, 3] = 1.1, -1.1
    expected = POLICY.no_risk + np.array([1.0, 1.0, 0.25, 0.25, 0.0, 0.0])
    np.testing.assert_allclose(next_step._risk(vectors), expected)
    np.testing.assert_allclose(next_step._risk(0 * vectors), POLICY.no_risk)


# which move


@pytest.mark.parametrize(
    ("events", "used"),
    [
        ([mark(), Turn(2, "top", 0.5), Turn(1, "side", 0.5)], {"2:top", "1:side"}),
        ([Turn(2, "top", 0.5), mark()], set()),
        ([Turn(2, "top", 0.5), blank(), Shift("mirror-2", (1.0, 0.0, 0.0))], {"mirror-2"}),
        ([Shift("tube-far", (0.0, 1.0, 0.0))], {"tube", "tube-exit", "tube-far"}),
        ([], set()),
    ],
)
def test_what_was_moved_since_the_last_pulse_is_not_moved_again(events: list[Event], used: set[str]) -> None:
    assert move_choice._moved_since_mark(at(*events)) == used


def test_small_errors_are_not_worth_moving_for_and_large_ones_by_that_less() -> None:
    found = move_choice._beyond_small(np.array([0.03, 0.04, 3.0, -4.0, 0.0, 0.0]), 0.05)
    np.testing.assert_allclose(found, [0.0, 0.0, 3.0 * 0.99, -4.0 * 0.99, 0.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(move_choice._beyond_small(np.array([0.3, 0.4]), 0.0), [0.3, 0.4])


@pytest.mark.parametrize(("stage", "count"), [(0, 1), (1, 3), (2, 5), (3, 7), (4, 7)])
def test_an_error_costs_its_square_beyond_what_is_as_good_as_nil_up_to_its_cap(
    stage: int, count: int
) -> None:
    numbers, caps = np.zeros((4, 7)), np.full(7, 3.0)
    numbers[0], numbers[1, 0] = 1.6, 99.0
    expected = (count * 1.0**2 + 3.0**2) / 4
    assert move_choice.cost(replace(seen(), numbers=numbers), stage, caps) == pytest.approx(expected)
    assert move_choice.cost(replace(seen(), numbers=np.full((4, 7), 0.6)), stage, caps) == 0.0


def off(**moved: float) -> View:
    """A straight machine whose best hypothesis has these parts off by so much, as if marks had shown it."""
    view = seen()
    mean = view.mixture.mean.copy()
    for part, by in moved.items():
        mean[view.mixture.best] += m.shift_matrix(part.replace("_", "-")) @ [0.0, by, 0.0]
    best, jacobian = o.everywhere_bent(view.profile, mean[view.mixture.best])
    return replace(view, mixture=replace(view.mixture, mean=mean), best=best, jacobian=jacobian)


def test_the_moves_that_bring_it_to_nil_take_back_what_was_done() -> None:
    view = off(tube_exit=6.0)
    problem = move_choice.pose(view, 4, small=0.0)
    assert problem.error == pytest.approx(float(problem.residual @ problem.residual))
    np.testing.assert_allclose(problem.residual, o.metric_vectors(view.profile, view.best, 3, POLICY.lens)[0])
    events = move_choice.adjustments(problem, worth=0.01)
    meant = np.sum([proof.worked(view, event) for event in events], axis=0)
    after = o.pushed(view.best, view.jacobian, meant[None])
    assert o.ratios(view.profile, after).max() < 0.35 < 1.5 < o.ratios(view.profile, view.best).max()
    assert all(isinstance(e, Turn) for e in move_choice.adjustments(problem, screws_only=True, worth=0.01))
    left, moves = move_choice.reach(view, 4)
    assert left < 0.35 and len(moves) == len(problem.levers)


def test_a_screw_at_its_end_is_left_out_and_another_set_found() -> None:
    view = off(tube_exit=6.0)
    events = move_choice.adjustments(move_choice.pose(view, 4, small=0.0), screws_only=True, worth=0.01)
    assert len(events) > 1
    for event in events:
        assert isinstance(event, Turn)
        k = 3 * (event.mount - 1) + view.profile.contact_index(event.mount, event.screw)
        mount = view.profile.mount[event.mount - 1]
        net = tuple((mount.turns_to if event.turns > 0 else mount.turns_from) * (i == k) for i in range(9))
        stuck = replace(view, mixture=replace(view.mixture, net_turns=net))
        others = move_choice.adjustments(move_choice.pose(stuck, 4, small=0.0), screws_only=True, worth=0.01)
        assert not any(
            isinstance(e, Turn) and (e.mount, e.screw) == (event.mount, event.screw) for e in others
        )
        assert others != [e for e in events if e != event]  # the rest does not fit without it
        for lever, amount in move_choice.reach(stuck, 4)[1]:
            at_it = (lever.mount, lever.contact) == (event.mount, k % 3)
            assert not at_it or amount[0] * event.turns <= 0.0


def test_each_column_of_the_problem_is_what_its_lever_does() -> None:
    view = off(tube_far=4.0)
    problem = move_choice.pose(view, 4)
    for lever, columns in zip(problem.levers, problem.columns, strict=True):
        for column, axis in zip(columns, lever.axes or (0,), strict=True):
            event: Event = (
                Turn(lever.mount, view.profile.mount[lever.mount - 1].contact[lever.contact].name, 1.0)
                if lever.is_screw
                else Shift(lever.part, tuple(np.eye(3)[axis]))
            )
            does = next_step._change(view, 4, event)
            slopes = o.metric_vectors(view.profile, view.jacobian, 3, POLICY.lens)
            np.testing.assert_allclose(
                problem.design[:, column], proof.worked(view, event)[: m.OPTICS] @ slopes
            )
            assert len(does) == len(problem.residual)
            errs = b.HAND_TURNS if lever.is_screw else b.SHIFT_HAND
            assert problem.coarse[column] == pytest.approx(problem.errs[column] * errs**2)
            assert problem.far[column] == (POLICY.per_turn if lever.is_screw else POLICY.per_mm)
            if lever.part != "tube":
                assert problem.errs[column] == pytest.approx(np.square(problem.design[:, column]).sum())
    np.testing.assert_allclose(problem.gram, problem.design.T @ problem.design)
    np.testing.assert_allclose(problem.pull, problem.design.T @ problem.residual)
    at_part = {lever.part: columns for lever, columns in zip(problem.levers, problem.columns, strict=True)}
    ends = problem.errs[at_part["tube-exit"]] + problem.errs[at_part["tube-far"]]
    np.testing.assert_allclose(problem.errs[at_part["tube"]], ends)


@pytest.mark.parametrize("fine", [False, True])
def test_the_best_amounts_leave_least_and_no_other_leaves_less(fine: bool) -> None:
    """The expected squared error, written out: the rest, relative hand error, and the cost per unit."""
    problem, rng = move_choice.pose(off(tube_exit=6.0), 4, small=0.0), np.random.default_rng(8)
    for some in ((0,), (3,), (3, 5), (1, 4, 6)):
        used = np.concatenate([problem.columns[i] for i in some])

        def left(amounts: Array, used: Array = used) -> float:
            rest = problem.residual + problem.design[:, used] @ amounts
            hand = b.HAND_RELATIVE**2 * problem.errs[used] + problem.far[used]
            return float(rest @ rest + hand @ amounts**2 + fine * problem.coarse[used].sum())

        told, amounts = move_choice._solved(problem, [some], fine)[some]
        assert told == pytest.approx(left(amounts))
        assert all(told <= left(amounts + 0.01 * rng.standard_normal(len(used))) for _ in range(20))


def test_parts_of_the_tube_are_not_moved_twice_in_one_set() -> None:
    levers = {lever.name(seen().profile): lever for lever in move_choice.pose(seen(), 4).levers}
    tubes = ("tube", "tube-exit", "tube-far")
    assert all(move_choice._same(levers[a], levers[c]) for a, c in pairwise(tubes))
    assert not move_choice._same(levers["tube"], levers["mirror-2"])
    assert not move_choice._same(levers["tube"], levers["1:top"])
    assert not move_choice._same(levers["mirror-1"], levers["mirror-2"])
