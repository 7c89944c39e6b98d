"""What can be moved, with which hand error, and what a move does to the drawn machines."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import parse_profile
from server.solver.decide import moves as mv
from server.solver.decide.policy import POLICY
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.estimate import screws
from server.solver.events import Inspected, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.profile import Profile
from server.solver.machine.trace import contact_points
from tests.machines import profile

Array = NDArray[Any]
LASER = parse_profile(profile("1600"))


def with_bases(*bases: str) -> Profile:
    given = copy.deepcopy(profile("1600"))
    for mount, base in zip(given["mount"], bases, strict=True):
        mount["base"] = base
    return parse_profile(given)


def known(*, sign: tuple[int, ...] = (1,) * 12, noise: int = 0) -> b.Mixture:
    """One hypothesis whose screws and bases work as ``sign`` says."""
    one = b.take(b.prior(LASER), np.array([0]), np.zeros(1))
    one.sign[:] = sign
    one.mean[0, m.RESPONSE] = np.linspace(-0.1, 0.1, 18)
    return replace(one, noise=np.array([noise]))


def of_part(part: str, order: int, axes: tuple[int, ...]) -> tuple[Any, ...]:
    return order, part, 0, -1, axes


@pytest.mark.parametrize(
    ("stage", "mounts", "bases"), [(0, 0, 0), (1, 1, 2), (2, 2, 3), (3, 3, 3), (4, 3, 3)]
)
def test_nothing_is_moved_behind_what_a_stage_can_see(stage: int, mounts: int, bases: int) -> None:
    found = [
        (lever.order, lever.part, lever.mount, lever.contact, lever.axes) for lever in mv.levers(LASER, stage)
    ]
    expected: list[tuple[Any, ...]] = [of_part(tube, 0, (1, 2)) for tube in ("tube", "tube-exit", "tube-far")]
    for mount in LASER.mount[:mounts]:
        expected += [
            (2 * mount.mirror, "", mount.mirror, i, ())
            for i, contact in enumerate(mount.contact)
            if contact.screw_pitch_mm is not None
        ]
    expected += [of_part(f"mirror-{i + 1}", 2 * i + 1, (0, 1, 2)) for i in range(bases)]
    assert found == expected
    assert {lever.name(LASER) for lever in mv.levers(LASER, stage) if lever.mount} == {
        f"{mount.mirror}:{contact.name}"
        for mount in LASER.mount[:mounts]
        for contact in mount.contact
        if contact.screw_pitch_mm is not None
    }
    assert {lever.name(LASER) for lever in mv.levers(LASER, stage) if lever.part} >= {"tube"}


@pytest.mark.parametrize("fixed", [0, 1, 2])
def test_a_fixed_base_is_no_lever(fixed: int) -> None:
    laser = with_bases(*("fixed" if i == fixed else "free" for i in range(3)))
    parts = {lever.part for lever in mv.levers(laser, 4)}
    assert parts & {"mirror-1", "mirror-2", "mirror-3"} == {f"mirror-{i + 1}" for i in range(3) if i != fixed}
    moves = [mv.bases_move(laser, known(), stage) for stage in range(5)]
    assert moves == [fixed >= reach for reach in (0, 2, 3, 3, 3)]


@pytest.mark.parametrize("dead", [0, 1, 2])
def test_a_base_that_did_not_move_is_counted_among_them(dead: int) -> None:
    sign = (1,) * 9 + tuple(screws.DEAD if i == dead else 1 for i in range(3))
    moves = [mv.bases_move(LASER, known(sign=sign), stage) for stage in range(5)]
    assert moves == [dead >= reach for reach in (0, 2, 3, 3, 3)]


@pytest.mark.parametrize("lever", mv.levers(LASER, 4), ids=lambda lever: lever.name(LASER))
def test_a_lever_does_what_its_move_does(lever: mv.Lever) -> None:
    """A turn without play, or one mm along each axis, without hand error."""
    mixture = known(sign=(1, -1, 2, 1, 1, -2, 1, 1, 1, 1, 1, 1))
    exact = o.Samples(mixture.mean, mixture.fault, mixture.sign, np.zeros((1, 21)), mixture.noise)
    does = mv.direction(LASER, mixture, lever)
    if lever.is_screw:
        screw = LASER.mount[lever.mount - 1].contact[lever.contact]
        asked = Turn(lever.mount, screw.name, 0.5)
        forwards = replace(mixture, onward=(1.0,) * 9)
        moved = mv.apply(LASER, forwards, exact, asked).x - mixture.mean
        np.testing.assert_allclose(0.5 * does[:, 0], moved[0], atol=1e-12)
        assert mv.apply(LASER, mixture, exact, Turn(lever.mount, screw.name, -0.5)).sign is not exact.sign
    for column, axis in enumerate(lever.axes):
        x, y, z = np.eye(3)[axis]
        moved = mv.apply(LASER, mixture, exact, Shift(lever.part, (x, y, z))).x - mixture.mean
        np.testing.assert_allclose(does[:, column], moved[0], atol=1e-12)
    assert does.any()


@pytest.mark.parametrize(("base", "moves"), [(1, True), (screws.DEAD, False), (0, True)])
def test_a_base_moves_as_far_as_is_known(base: int, moves: bool) -> None:
    sign = (1,) * 9 + (1, base, 1)
    lever = mv.Lever(3, 1.0, "mirror-2", axes=(0, 1, 2))
    assert mv.direction(LASER, known(sign=sign), lever).any() == moves
    assert mv.direction(LASER, known(sign=sign), replace(lever, part="tube", axes=(1, 2))).any()


@pytest.mark.parametrize("others", [(1, 0), (-1, 0), (2, 0), (-1, -1)])
def test_an_untried_screw_is_taken_to_work_as_the_others_of_its_mount_make_probable(
    others: tuple[int, int],
) -> None:
    for mount in (1, 2, 3):
        signs = np.zeros(12, dtype=np.int8)
        signs[3 * mount - 3 : 3 * mount - 1] = others
        likely = screws.CODES[np.argmax(screws.chances(LASER, mount, np.array([*others, 0]), 2))]
        assert mv.code_of(LASER, signs, mount, 2) == likely
        assert mv.code_of(LASER, signs, mount, 0) == others[0]


@pytest.mark.parametrize("turns", [0.5, -0.25])
@pytest.mark.parametrize("last", [0.0, 1.0, -1.0])
@pytest.mark.parametrize(("mount", "screw", "k"), [(1, "top", 0), (2, "bottom", 4), (3, "side", 7)])
def test_a_hand_that_errs_turns_each_machine_by_what_it_does(
    mount: int, screw: str, k: int, turns: float, last: float
) -> None:
    mixture = replace(known(sign=(-1,) * 9 + (1,) * 3, noise=6), onward=(last,) * 9)
    samples = o.draw(mixture, 64)
    before = samples.x.copy()
    after = mv.apply(LASER, mixture, samples, Turn(mount, screw, turns))
    np.testing.assert_array_equal(samples.x, before)
    meant, variance = b.hand(turns, last, reversed_before=last != 0.0)
    contact = LASER.mount[mount - 1].contact[k % 3]
    own, cross = m.screw_vectors(LASER, mount, k % 3)
    for i, (then, now) in enumerate(zip(samples.x, after.x, strict=True)):
        travel = (
            (meant + np.sqrt(variance) * samples.noise[i, k])
            * contact.clockwise
            * float(contact.screw_pitch_mm or 0)
        )
        gain, aside = then[m.response_at(mount, k % 3)]
        tilt = samples.noise[i, 15 + 2 * (mount - 1) : 17 + 2 * (mount - 1)] * b.LOCK_SD[6]
        expected = then.copy()
        expected[m.contact_at(mount)] += -travel * ((1 + gain) * own + aside * cross)
        expected[m.contact_at(mount)] += contact_points(LASER, mount) @ tilt
        np.testing.assert_allclose(now, expected, atol=1e-12)


@pytest.mark.parametrize("part", m.PARTS)
def test_hands_that_err_shift_each_machine_by_what_they_do(part: str) -> None:
    mixture, move = known(), np.array([0.0, 1.0, -2.0])
    samples = o.draw(mixture, 64)
    after = mv.apply(LASER, mixture, samples, Shift(part, (0.0, 1.0, -2.0)))
    ends = ("tube-exit", "tube-far") if part == "tube" else (part,)
    for then, now, noise in zip(samples.x, after.x, samples.noise, strict=True):
        expected = then.copy()
        for i, end in enumerate(ends):
            errs = b.shift_sd(move) * noise[9 + 3 * i : 12 + 3 * i]
            expected = expected + m.shift_matrix(end) @ (move + errs)
        np.testing.assert_allclose(now, expected, atol=1e-12)


def test_what_nobody_tried_works_in_as_many_machines_as_is_probable() -> None:
    mixture = known(sign=(0,) * 12)
    samples = o.draw(mixture, 512)
    turned = mv.apply(LASER, mixture, samples, Turn(2, "top", 0.5))
    chances = screws.chances(LASER, 2, np.zeros(3, int), 0)
    shares = [(turned.sign[:, 3] == code).mean() for code in screws.CODES]
    assert shares == pytest.approx(chances.tolist(), abs=1 / 256)
    assert not np.delete(turned.sign, 3, axis=1).any() and not samples.sign.any()
    still = turned.sign[:, 3] == screws.DEAD
    np.testing.assert_allclose(turned.x[still], samples.x[still], atol=1e-12)
    again = mv.apply(LASER, mixture, turned, Turn(2, "top", 0.5))
    np.testing.assert_array_equal(again.sign, turned.sign)
    shifted = mv.apply(LASER, mixture, samples, Shift("mirror-2", (1.0, 0.0, 0.0)))
    stuck = shifted.sign[:, 10] == screws.DEAD
    assert stuck.mean() == pytest.approx(screws.STUCK, abs=1 / 256)
    np.testing.assert_array_equal(shifted.x[stuck], samples.x[stuck])
    assert (shifted.x[~stuck] != samples.x[~stuck]).any(axis=1).all()
    assert not np.delete(shifted.sign, 10, axis=1).any()


def test_looking_moves_nothing() -> None:
    samples = o.draw(known(), 8)
    assert mv.apply(LASER, known(), samples, Inspected("rail-bow", "fixed")) is samples


@pytest.mark.parametrize(
    ("turns", "options"),
    [
        (0.26, (4 / 16, 5 / 16)),
        (0.3, (5 / 16, 4 / 16)),
        (-0.3, (-5 / 16, -4 / 16)),
        (0.2, (6 / 32, 7 / 32)),
        (0.07, (2 / 32, 3 / 32)),
        (0.05, (3 / 64, 4 / 64)),
        (0.01, (1 / 64, 2 / 64)),
        (1 / 16, (2 / 32, 3 / 32)),
        (0.25, (4 / 16, 5 / 16)),
        (5.0, (2.0, 2 + 1 / 16)),
    ],
)
def test_a_hand_is_asked_for_the_two_nearest_fractions(turns: float, options: tuple[float, float]) -> None:
    """From a quarter turn on sixteenths, from a sixteenth on thirty-seconds, below that sixty-fourths."""
    assert tuple(mv.fractions(turns, lambda asked: asked)) == pytest.approx(options)


@pytest.mark.parametrize(
    ("net", "amount", "turns"),
    [
        (0.0, 0.5, 0.5),
        (0.0, -0.5, -0.5),
        (0.75, 0.5, 0.25),
        (1.0, 0.5, None),
        (-0.75, -0.5, -0.25),
        (1.0, -0.5, -0.5),
    ],
)
def test_a_screw_is_not_turned_beyond_its_ends(net: float, amount: float, turns: float | None) -> None:
    mount = replace(LASER.mount[0], turns_from=-1.0, turns_to=1.0)
    laser = replace(LASER, mount=(mount, *LASER.mount[1:]))
    mixture = replace(known(), net_turns=(net, *[0.0] * 8), onward=(float(np.sign(amount)),) * 9)
    lever = mv.Lever(2, 1.0, mount=1, contact=0)
    events = mv.as_events(laser, mixture, lever, np.array([amount]))
    assert all(isinstance(e, Turn) and -1 <= net + e.turns <= 1 for e in events)
    assert events[:1] == ([] if turns is None else [Turn(1, "top", turns)])


@pytest.mark.parametrize(
    ("net", "amount", "ended"),
    [
        (0.75, 0.5, False),
        (0.76, 0.5, True),
        (-0.75, -0.5, False),
        (-0.76, -0.5, True),
        (1.0, -0.5, False),
        (1.5, 0.01, True),
        (1.5, -0.01, False),
    ],
)
def test_a_screw_has_come_to_its_end_where_not_half_of_a_turn_is_left(
    net: float, amount: float, ended: bool
) -> None:
    mount = replace(LASER.mount[0], turns_from=-1.0, turns_to=1.0)
    laser = replace(LASER, mount=(mount, *LASER.mount[1:]))
    mixture = replace(known(), net_turns=(net, *[0.0] * 8))
    assert mv.ended(laser, mixture, mv.Lever(2, 1.0, mount=1, contact=0), np.array([amount])) is ended
    assert not mv.ended(laser, mixture, mv.Lever(0, 1.0, part="tube", axes=(1, 2)), np.array([99.0, 0.0]))


@pytest.mark.parametrize(
    ("amount", "move"),
    [
        ((1.04, -2.06), (0.0, 1.0, -2.1)),
        ((0.29, 0.31), (0.0, 0.0, 0.3)),
        ((0.1, -0.2), None),
        ((30.0, 40.0), (0.0, 15.0, 20.0)),  # 25 mm in one step
        ((15.0, 20.0), (0.0, 15.0, 20.0)),
    ],
)
def test_a_part_is_moved_by_tenths_and_not_by_less_than_a_hand_errs(
    amount: tuple[float, float], move: tuple[float, float, float] | None
) -> None:
    lever = mv.Lever(0, 1.0, "tube-far", axes=(1, 2))
    assert mv.as_events(LASER, known(), lever, np.array(amount)) == (
        [Shift("tube-far", move)] if move else []
    )


def test_efforts_are_those_of_the_policy() -> None:
    efforts = {lever.name(LASER): lever.effort for lever in mv.levers(LASER, 4)}
    assert (efforts["tube"], efforts["tube-exit"]) == (POLICY.effort_tube, POLICY.effort_tube_end)
    assert efforts["mirror-2"] == POLICY.effort_base and efforts["2:top"] == 1.0
