"""The mixture of hypotheses: which are kept, what hand error and hangings do, and the prior."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from server.solver import parse_profile
from server.solver.estimate import hypotheses as b
from server.solver.estimate import screws
from server.solver.machine import model as m
from server.solver.machine.trace import contact_points
from tests.machines import disturbance, profile
from tests.machines.hands import Screw, hand_turns

Array = NDArray[Any]
LASER = parse_profile(profile("1600"))
PRIOR = b.prior(LASER)


@pytest.mark.parametrize("turns", [0.5, -0.5, 2.0])
def test_a_hand_turns_as_asked_less_the_play_on_reversal(turns: float) -> None:
    way = np.sign(turns)
    on, back, found = b.hand(turns, way), b.hand(turns, -way), b.hand(turns, 0.0)
    assert (on[0], back[0]) == pytest.approx((turns, turns - b.PLAY_TURNS * way), abs=1e-5)
    assert on[1] == pytest.approx((b.HAND_RELATIVE * turns) ** 2 + b.HAND_TURNS**2)
    assert back[1] == pytest.approx(on[1] + b.PLAY_SD**2, rel=1e-3)
    # both are equally probable: mean and variance of the two together
    assert found[0] == pytest.approx((on[0] + back[0]) / 2)
    assert found[1] == pytest.approx((on[1] + back[1]) / 2 + ((on[0] - back[0]) / 2) ** 2)
    assert b.hand(turns, -way, reversed_before=True) == back


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(
    "asked", [(1 / 64, 1 / 64, 1 / 64), (1 / 32, 1 / 64), (1 / 64, 1 / 16), (1 / 32, 1 / 32)]
)
def test_play_is_taken_up_over_as_many_small_turns_as_it_needs(asked: tuple[float, ...], way: int) -> None:
    """Compared with a screw of the bench whose play is taken up the other way, turned with hand error."""
    rng, took = np.random.default_rng(5), []
    for _ in range(4000):
        play = max(0.0, rng.normal(b.PLAY_TURNS, b.PLAY_SD))
        screw = Screw(1.0, 1, 0.0, 0.0 if way > 0 else -play, play_turns=play)
        moved = []
        for turns in asked:
            before = screw.contact_turns
            screw.turn(hand_turns(way * turns, rng))
            moved.append(screw.contact_turns - before)
        took.append(moved)
    onward = 0.0
    for turns, really in zip(asked, np.array(took).T, strict=True):
        mean, variance = b.hand(way * turns, onward or -way, reversed_before=True)
        onward += way * turns
        assert mean == pytest.approx(really.mean(), abs=0.2 / 64)
        # hand error counts in full within the play too, so the variance may be too large, never too small
        assert 0.85 * really.std() < np.sqrt(variance) < really.std() + 0.5 / 64


@pytest.mark.parametrize(("mean", "sd", "most"), [(0.02, 0.01, 0.03), (-0.01, 0.02, 0.02), (0.5, 0.1, 0.1)])
def test_a_clipped_normal_number_has_the_moments_that_a_general_library_gives(
    mean: float, sd: float, most: float
) -> None:
    """scipy.stats, by its integral over the density."""
    moments = [
        norm(mean, sd).expect(lambda x, n=n: np.clip(x, 0, most) ** n, -1, 2, epsabs=1e-10) for n in (1, 2)
    ]
    assert b._clipped(mean, sd, most) == pytest.approx(moments, abs=1e-7)


def test_what_hangs_on_a_screw_s_play_is_noted_turn_by_turn() -> None:
    mixture = PRIOR
    for turns, onward, net in ((0.25, 0.25, 0.25), (0.5, 0.75, 0.75), (-0.25, -0.25, 0.5), (0.5, 0.5, 1.0)):
        again = mixture.onward[4] != mixture.net_turns[4]
        assert mixture.takes_hold(4, turns) == b.hand(turns, mixture.onward[4], reversed_before=again)
        mixture = b.turned(mixture, 4, turns)
        assert (mixture.onward[4], mixture.net_turns[4]) == (onward, net)
    assert set(mixture.onward[:4] + mixture.onward[5:]) == {0.0}


@pytest.mark.parametrize(("share", "given_up"), [(0.4, False), (0.6, True)])
def test_the_best_hypothesis_gives_up_only_what_is_more_probably_dead_than_not(
    share: float, given_up: bool
) -> None:
    """Three hypotheses: the single most probable one has a dead screw in both cases."""
    rest = 1 - share
    sign = np.ones((3, 12), int)
    sign[0, 3], sign[2, 3] = screws.DEAD, -1
    two = b.take(PRIOR, np.zeros(3, int), np.log([share, 0.6 * rest, 0.4 * rest]))
    mixture = replace(two, sign=sign)
    assert mixture.best == (0 if given_up else 1)


def test_where_no_hypothesis_has_just_what_is_probably_dead_the_most_probable_is_best() -> None:
    sign = np.ones((3, 12), int)
    sign[0, [3, 4]], sign[1, [4, 5]], sign[2, [3, 5]] = (screws.DEAD,) * 3
    mixture = replace(b.take(PRIOR, np.zeros(3, int), np.log([0.3, 0.4, 0.3])), sign=sign)
    assert mixture.best == 1


def test_each_axis_of_a_shift_errs_by_itself_and_one_that_is_not_moved_not_at_all() -> None:
    sd = b.shift_sd(np.array([0.0, 10.0, -10.0]))
    assert sd == pytest.approx(
        [0.0, 10 * b.SHIFT_RELATIVE + b.SHIFT_HAND, 10 * b.SHIFT_RELATIVE + b.SHIFT_HAND]
    )


def test_before_the_first_pulse_all_kinds_are_there_with_their_odds() -> None:
    weight = PRIOR.weight
    assert weight.sum() == pytest.approx(1.0)
    faults = [weight[PRIOR.fault == i].sum() for i in range(len(b.FAULTS))]
    assert faults == pytest.approx(b.FAULT_PRIOR.tolist())
    sound = PRIOR.fault == 0
    odds = np.array([noise.odds for noise in b.NOISES])
    kinds = [weight[sound & (PRIOR.noise == i)].sum() for i in range(len(b.NOISES))]
    assert kinds == pytest.approx((b.FAULT_PRIOR[0] * odds / odds.sum()).tolist())
    for fault in range(1, len(b.FAULTS)):
        these = PRIOR.fault == fault
        assert sorted(PRIOR.noise[these]) == [0, len(b.NOISES) - 1]
        first, last = (weight[these & (PRIOR.noise == noise)].sum() for noise in (0, len(b.NOISES) - 1))
        assert first / last == pytest.approx(odds[0] / odds[-1])
    assert not PRIOR.mean.any() and not PRIOR.sign.any() and PRIOR.parts_seen == 0
    for station, holder in ((0, 0), (1, 0), (2, 0), (3, 1), (m.BELOW_AT, 1)):
        sizes = [b.NOISES[i].hang_mm[holder] ** 2 for i in PRIOR.noise]
        np.testing.assert_allclose(PRIOR.hang_var(station), sizes)
    np.testing.assert_allclose(PRIOR.pulse_scale, 1.0)


def test_all_errors_at_once_are_about_those_of_a_tuesday_on_the_bench() -> None:
    noise, errs = b.NOISES[b.ALIKE[-1]], disturbance("tuesday")
    pairs = [
        *((hang, errs.hanging_mm) for hang in noise.hang_mm),
        (noise.pulse_mm, errs.tape_mm),
        (noise.jitter, errs.jitter_mrad * 1e-3),
        (noise.lock, errs.locknut_mrad * 1e-3),
        (noise.slips, errs.slips),
    ]
    for supposed, made in pairs:
        assert 0.7 < supposed / made < 1.5


@pytest.mark.parametrize("fault", range(len(b.FAULTS)))
def test_what_is_known_beforehand_is_as_wide_as_the_table_of_constants_says(fault: int) -> None:
    row = np.flatnonzero(PRIOR.fault == fault)[-1]
    cov, noise = PRIOR.cov[row], b.NOISES[PRIOR.noise[row]]
    sd = np.sqrt(np.diag(cov))
    np.testing.assert_allclose(sd[m.TUBE], b.TUBE_SD)
    np.testing.assert_allclose(sd[m.SHIFT], [1.5] * 6 + [0.3] * 3)
    np.testing.assert_allclose(sd[m.HANG], [noise.hang_mm[0], noise.hang_mm[0], noise.roll])
    np.testing.assert_allclose(sd[m.RESPONSE], [b.GAIN_SD, b.CROSS_SD] * 9)
    np.testing.assert_allclose(sd[m.LENS_OFF], b.LENS_SD[LASER.lens.comes_out])
    # by so many mm the far mark moves between front and back
    far = LASER.path.mirror_2_to_3_mm[1] * LASER.bed.depth_mm * 1e-6
    np.testing.assert_allclose(sd[m.RACK] * far, b.RACK_SD[b.FAULTS[fault] == "gantry-racking"])
    bows = [b.BOW_SD[fault == 2]] * 2 + [b.BOW_SD[fault == 3]] * 2
    np.testing.assert_allclose(sd[m.BOW], bows)
    for mount in (1, 2, 3):
        block = cov[m.contact_at(mount), m.contact_at(mount)]
        at = contact_points(LASER, mount)
        plane = np.linalg.inv(np.column_stack([np.ones(3), at]))  # the contacts' rise as piston and tilts
        spread = np.diag([b.PISTON_SD, b.TILT_SD, b.TILT_SD]) ** 2
        np.testing.assert_allclose(plane @ block @ plane.T, spread, atol=1e-12)
    blocks = [m.TUBE, *(m.contact_at(i) for i in (1, 2, 3)), m.SHIFT, m.RACK, m.BOW, m.LENS_OFF, m.RESPONSE]
    rest = cov.copy()
    for block in (*blocks, m.HANG):
        rest[block, block] = 0.0
    assert not rest.any()


def test_outside_racking_of_four_millimetres_swings_the_far_mark_by_them() -> None:
    """Checked with the trace: the gantry is turned by one sd at the front and the back of the bed."""
    sd = b.RACK_SD[1] / (LASER.path.mirror_2_to_3_mm[1] * LASER.bed.depth_mm * 1e-6)
    x = np.zeros(m.SIZE)
    x[m.RACK.start] = sd
    front, back = (m.rays(LASER, x, LASER.head_mm(1.0, along)).offset_mm[2] for along in (0.0, 1.0))
    assert np.hypot(*(back - front)) == pytest.approx(b.RACK_SD[1], rel=0.02)


@pytest.mark.parametrize("station", [0, 1, 2, 3])
def test_a_part_that_no_card_has_seen_may_stand_far_off(station: int) -> None:
    split = b.split_far(LASER, PRIOR, station)
    assert split.parts_seen == station + 1
    assert split.weight.sum() == pytest.approx(1.0)
    assert len(split.fault) == len(PRIOR.fault) * 2 ** (station + 1)
    tube = np.isclose(split.cov[:, 0, 0], b.FAR_TUBE_SD**2)
    np.testing.assert_allclose(split.cov[~tube, 0, 0], b.TUBE_SD**2)
    assert split.weight[tube].sum() == pytest.approx(b.FAR)
    for mount in (1, 2, 3):
        plane = np.linalg.inv(np.column_stack([np.ones(3), contact_points(LASER, mount)]))
        block = plane @ split.cov[:, m.contact_at(mount), m.contact_at(mount)] @ plane.T
        np.testing.assert_allclose(block[:, 0, 0], b.PISTON_SD**2)
        far = np.isclose(block[:, 1, 1], b.FAR_TILT_SD[mount - 1] ** 2)
        np.testing.assert_allclose(block[~far, 1, 1], b.TILT_SD**2)
        np.testing.assert_allclose(block[:, 2, 2], block[:, 1, 1])
        assert split.weight[far].sum() == pytest.approx(b.FAR if mount <= station else 0.0)
    again = b.split_far(LASER, split, station)
    assert len(again.fault) == len(split.fault)
    assert b.split_far(LASER, split, 0).parts_seen == station + 1


def test_a_card_hung_anew_is_free_of_the_last_and_how_that_hung_tells_how_cards_hang() -> None:
    known = replace(PRIOR, hung=("mirror-1", 1), mean=PRIOR.mean.copy(), cov=PRIOR.cov.copy())
    known.mean[:, m.HANG] = (0.3, -0.4, 0.1)
    known.cov[:, m.HANG.start, m.HANG.start] *= 0.25  # three quarters of it are known
    known.cov[:, m.HANG.start, 0] = known.cov[:, 0, m.HANG.start] = 0.01
    assert b.rehung(known, ("mirror-1", 1)) is known
    for hung in (("mirror-1", 2), ("mirror-2", 1), ("mirror-1", None)):
        fresh = b.rehung(known, hung)
        assert fresh.hung == hung
        told = [[[0.75, 0.25], [0.0, 0.0]]] * len(known.hang)  # learnt of the mirrors; nothing of the nozzle
        np.testing.assert_allclose(fresh.hang - known.hang, told, atol=1e-12)
        var = fresh.hang[:, 0, 1] / fresh.hang[:, 0, 0]
        np.testing.assert_allclose(fresh.hang_var(m.station_index(hung[0])), var)
        rolls = np.array([b.NOISES[i].roll ** 2 for i in fresh.noise])
        spread = np.stack([var, var, rolls], axis=1)
        np.testing.assert_allclose(fresh.cov[:, m.HANG, m.HANG], spread[:, :, None] * np.eye(3))
        assert not fresh.mean[:, m.HANG].any() and not fresh.cov[:, m.HANG, : m.HANG.start].any()
        assert not fresh.cov[:, : m.HANG.start, m.HANG].any()
        free = slice(0, m.HANG.start)
        np.testing.assert_array_equal(fresh.cov[:, free, free], known.cov[:, free, free])
    under = b.rehung(known, ("nozzle", 3))
    np.testing.assert_allclose(under.cov[:, m.HANG.start, m.HANG.start], PRIOR.hang_var(3))
    first = b.rehung(PRIOR, ("mirror-1", 1))
    np.testing.assert_array_equal(first.hang, PRIOR.hang)  # nothing hung before


def test_cards_that_seem_to_hang_exactly_are_trusted_no_more_than_the_model() -> None:
    exact = replace(PRIOR, hang=np.tile([100.0, 0.0], (len(PRIOR.fault), 2, 1)))
    np.testing.assert_allclose(exact.hang_var(0), b.MODEL_SD**2)


def test_the_weights_that_are_kept_add_up_to_one_the_most_probable_first() -> None:
    doubled = replace(PRIOR, log_weight=PRIOR.log_weight + np.log(2.0), evidence=1.0)
    pruned = b.prune(doubled)
    assert pruned.evidence == pytest.approx(1.0 + np.log(2.0))
    assert pruned.weight.sum() == pytest.approx(1.0)
    assert (np.diff(pruned.log_weight) <= 0).all()
    assert pruned.best == 0 and PRIOR.best == int(np.argmax(PRIOR.weight))
    back = b.shifted(pruned, np.log(0.5))
    np.testing.assert_allclose(back.weight, pruned.weight / 2)


def test_the_improbable_is_dropped_but_not_the_last_of_its_fault_or_noise() -> None:
    count = b.KEEP + 40
    weight = np.full(count, 1e-5)
    weight[0], weight[1:4] = 1.0, (1e-8, 1e-10, 1e-4)
    fault, noise, sign = np.zeros(count, int), np.zeros(count, int), np.ones((count, 12), dtype=np.int8)
    fault[1], fault[2] = 1, 1
    noise[3], noise[-1] = 2, 3
    sign[2, 0] = -1
    order, kept, total = b.probable(np.log(weight), fault, noise, sign)
    assert total == pytest.approx(np.log(weight.sum()))
    assert np.exp(kept).sum() == pytest.approx(1.0)
    assert order[0] == 0 and 1 in order and 3 in order
    assert 2 not in order  # its fault is kept already, with the screws as in the best hypothesis
    assert len(order) == b.KEEP + 1 and count - 1 not in order  # noise 3 is too improbable to be kept
    weight[2], weight[1], sign[1, 0] = 1e-9, 1e-8, -1
    sign[2, 0] = 1
    order, *_ = b.probable(np.log(weight), fault, noise, sign)
    assert {1, 2} <= set(order)  # the first of its fault, and the first that has the screws so
    weight[1:3] = 1e-14
    order, *_ = b.probable(np.log(weight), fault, noise, sign)
    assert not {1, 2} & set(order)


def test_all_errors_at_once_stay_in_several_ways_however_improbable() -> None:
    """An explanation that is improbable after some steps may be the only one left after many."""
    count = b.KEEP_APART + 20
    weight, noise = np.full(2 * count, 0.5 / count), np.zeros(2 * count, int)
    noise[count:] = b.ALIKE[-1]
    weight[count:] = 1e-40 * np.linspace(1.0, 0.5, count)
    weight[count + 3] = 0.5e-40 * b.APART
    none, sign = np.zeros(2 * count, int), np.ones((2 * count, 12), dtype=np.int8)
    order, *_ = b.probable(np.log(weight), none, noise, sign)
    assert set(order[order >= count]) == set(range(count, count + b.KEEP_APART + 1)) - {count + 3}


def test_some_of_the_hypotheses_and_all_of_two_mixtures() -> None:
    noted = replace(PRIOR, notes=tuple((b.Note("way", i),) for i in range(len(PRIOR.fault))))
    some = b.take(noted, np.array([3, 1, 3]), np.log([0.2, 0.3, 0.5]))
    np.testing.assert_allclose(some.weight, [0.2, 0.3, 0.5])
    assert [note[0].mount for note in some.notes] == [3, 1, 3]
    both = b.join(some, noted)
    assert len(both.fault) == 3 + len(PRIOR.fault)
    for name in ("mean", "cov", "fault", "noise", "hang", "pulse", "sign", "log_weight"):
        np.testing.assert_array_equal(getattr(both, name)[:3], getattr(some, name))
        np.testing.assert_array_equal(getattr(both, name)[3:], getattr(noted, name))
    assert both.notes == some.notes + noted.notes


def test_which_mount_is_loose_is_the_sum_of_what_supposes_it() -> None:
    shares = b.loose_shares(PRIOR)
    assert shares == pytest.approx(b.FAULT_PRIOR[b.LOOSE :].tolist())


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_a_loose_mirror_swings_the_far_mark_of_its_leg_as_far_as_is_called_a_fault(mount: int) -> None:
    sd = b.loose_sd(LASER, mount)
    x = np.zeros(m.SIZE)
    x[m.contact_at(mount)] = contact_points(LASER, mount) @ [sd, 0.0]
    at = LASER.head_mm(1.0, 0.0)  # the far end of both legs
    swung = m.rays(LASER, x, at).offset_mm[mount]
    assert np.hypot(*swung) == pytest.approx(
        b.LOOSE_MM[mount - 1], rel=0.35
    )  # to first order, twice the tilt


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_a_tilt_that_is_taken_back_may_be_far_off(mount: int) -> None:
    wide = b.doubted(LASER, PRIOR, mount)
    plane = np.linalg.inv(np.column_stack([np.ones(3), contact_points(LASER, mount)]))
    at = m.contact_at(mount)
    added = plane @ (wide.cov - PRIOR.cov)[:, at, at] @ plane.T
    far = b.FAR_TILT_SD[mount - 1] ** 2
    np.testing.assert_allclose(added, np.broadcast_to(np.diag([0, far, far]), added.shape), atol=1e-12)
    wide.cov[:, at, at] = PRIOR.cov[:, at, at]
    np.testing.assert_array_equal(wide.cov, PRIOR.cov)


@pytest.mark.parametrize("station", range(6))
def test_a_card_below_sees_no_part_that_the_nozzle_does_not(station: int) -> None:
    assert b.expecting(LASER, PRIOR, station).parts_seen == min(station, 3) + 1


@pytest.mark.parametrize("doubt", [0.19, 0.21])
def test_a_doubt_of_more_than_a_fifth_is_said(doubt: float) -> None:
    assert replace(PRIOR, doubt=doubt).fresh_note == (doubt > 0.2)


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_the_ways_of_a_mount_are_those_that_measuring_and_building_go_wrong(mount: int) -> None:
    odds, codes = screws.arrangements(LASER, mount)
    assert odds.sum() == pytest.approx(1.0)
    table = {tuple(int(c) for c in code): odd for code, odd in zip(codes, odds, strict=True)}
    dead = screws.DEAD
    assert table[-1, -1, -1] == pytest.approx(screws.ALL_BACKWARDS)
    for i in range(3):
        one, none = [1, 1, 1], [1, 1, 1]
        one[i], none[i] = -1, dead
        assert table[one[0], one[1], one[2]] == pytest.approx(screws.ONE_BACKWARDS / 3)
        assert table[none[0], none[1], none[2]] == pytest.approx(screws.ONE_DEAD / 3)
    assert table[2, 2, 2] == table[-2, -2, -2] == pytest.approx(screws.QUARTER / 2)
    assert table[1, 1, 1] == max(table.values())
    assert odds[-6] == pytest.approx(screws.MIRRORED)
    assert odds[-5:] == pytest.approx([screws.RENAMED / 5] * 5)


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_outside_a_mirrored_mount_tilts_as_one_with_its_contacts_left_for_right(mount: int) -> None:
    """The tilt by a screw of a mount with mirrored contacts, computed from the plane through three points."""
    at = contact_points(LASER, mount)
    mirrored = screws.arrangements(LASER, mount)[1][-6]
    for i in range(3):
        rise = np.eye(3)[i]
        there = np.linalg.solve(np.column_stack([np.ones(3), at * [-1, 1]]), rise)[1:]
        own, _ = screws.tilts(LASER, mount, i, np.array(mirrored[i]))
        here = np.linalg.solve(np.column_stack([np.ones(3), at]), own)[1:]
        cosine = here @ there / np.linalg.norm(here) / np.linalg.norm(there)
        assert cosine > 0.7  # it is the nearest of the four ways


@pytest.mark.parametrize(("code", "quarters"), [(1, 0), (2, 1), (-1, 2), (-2, 3)])
def test_outside_each_way_is_a_quarter_turn_of_the_tilt(code: int, quarters: int) -> None:
    at = contact_points(LASER, 1)
    own, cross = m.screw_vectors(LASER, 1, 0)
    plane = np.linalg.inv(np.column_stack([np.ones(3), at]))[1:]
    quarter = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), quarters)
    new = screws.tilts(LASER, 1, 0, np.array(code))
    np.testing.assert_allclose(plane @ new[0], quarter @ (plane @ own), atol=1e-15)
    np.testing.assert_allclose(plane @ new[1], quarter @ (plane @ cross), atol=1e-15)
    assert not np.any(screws.tilts(LASER, 1, 0, np.array(screws.DEAD)))
    np.testing.assert_array_equal(screws.tilts(LASER, 1, 0, np.array(screws.UNKNOWN)), (own, cross))


@pytest.mark.parametrize("mount", [1, 2, 3])
@pytest.mark.parametrize("contact", range(3))
@pytest.mark.parametrize(("code", "on"), [(screws.NEXT, 1), (screws.BEFORE, 2)])
def test_outside_a_screw_with_another_ones_name_tilts_as_that_one(
    mount: int, contact: int, code: int, on: int
) -> None:
    """The tilt by the other contact, computed from the plane through three points."""
    at = contact_points(LASER, mount)
    slopes = np.linalg.inv(np.column_stack([np.ones(3), at]))[1:]
    own, cross = screws.tilts(LASER, mount, contact, np.array(code))
    there = slopes[:, (contact + on) % 3]
    np.testing.assert_allclose(slopes @ own, there, atol=1e-12)
    np.testing.assert_allclose(slopes @ cross, [-there[1], there[0]], atol=1e-12)


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_names_mixed_up_are_all_orders_but_the_one_in_the_profile(mount: int) -> None:
    codes = screws.arrangements(LASER, mount)[1][-5:]
    owns = np.array([m.screw_vectors(LASER, mount, i)[0] for i in range(3)])
    slopes = np.linalg.inv(np.column_stack([np.ones(3), contact_points(LASER, mount)]))[1:]
    found = set()
    for order in codes:
        does = np.array([slopes @ screws.tilts(LASER, mount, i, order[i])[0] for i in range(3)])
        apart = np.hypot(*np.moveaxis(does[:, None] - (owns @ slopes.T)[None], -1, 0))
        assert apart.min(1).max() < screws.NEAR * np.hypot(*does.T).max()
        found.add(tuple(int(i) for i in apart.argmin(1)))
    assert found == set(itertools.permutations(range(3))) - {(0, 1, 2)}


def test_what_one_screw_showed_is_weighed_by_each_way_of_the_mount() -> None:
    odds, codes = screws.arrangements(LASER, 1)
    odd = {int(code): 0.0005 if abs(code) == 4 else 0.004 for code in screws.CODES}

    def works(fits: int, code: int) -> float:
        return odd[code] if code != fits else 1 - sum(odd[other] for other in odd if other != fits)

    for tried in ((1, 0, 0), (0, -1, 2), (screws.DEAD, 1, 0), (0, screws.NEXT, 0)):
        contact = tried.index(0)
        weights = [
            odd_ * np.prod([works(int(fits[i]), code) for i, code in enumerate(tried) if code])
            for odd_, fits in zip(odds, codes, strict=True)
        ]
        expected = [
            sum(w * works(int(fits[contact]), int(code)) for w, fits in zip(weights, codes, strict=True))
            / sum(weights)
            for code in screws.CODES
        ]
        assert screws.chances(LASER, 1, np.array(tried), contact) == pytest.approx(expected)
    many = screws.chances(LASER, 1, np.array([(1, 0, 0), (-1, 0, 0)]), 1)
    assert many.shape == (2, 7) and many.sum(1) == pytest.approx([1.0, 1.0])


def test_a_base_that_does_not_move_makes_others_suspect() -> None:
    stuck, moves = (screws.DEAD, 0, 0), (1, 0, 0)
    found = screws.base_chances(np.array([stuck, moves]))
    assert found == pytest.approx(
        np.array([[1 - screws.STUCK_TOO, screws.STUCK_TOO], [1 - screws.STUCK, screws.STUCK]])
    )
