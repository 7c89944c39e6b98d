"""What a repair, a beam that is lost and a sentence make of the belief."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.solver import say
from server.solver.decide import search
from server.solver.decide.policy import POLICY
from server.solver.decide.situation import Choice, Place, View
from server.solver.estimate import belief, screws
from server.solver.estimate import hypotheses as b
from server.solver.estimate import samples as o
from server.solver.events import Event, Inspected, NoMark, Shift, Turn
from server.solver.machine import model as m
from server.solver.machine.trace import contact_points
from server.solver.steps import Expect
from tests.solver.test_situation import at, blank, mark, seen

Array = NDArray[Any]
LASER = seen().profile
FIXED = Inspected("gantry-racking", "fixed")


def learnt() -> b.Mixture:
    """Two hypotheses, of racking and of none, that know a machine well."""
    whole = b.prior(LASER)
    rows = np.array([int(np.flatnonzero(whole.fault == 1)[0]), 0])
    two = b.take(whole, rows, np.log([0.9, 0.1]))
    two.mean[:, : m.OPTICS] = 0.01
    two.cov[:] *= 1e-4
    two.sign[:, 0] = -1
    return replace(two, evidence=3.0, parts_seen=4, net_turns=(0.5,) * 9, onward=(1.0,) * 9)


def plane_of(mount: int, cov: Array) -> Array:
    plane = np.linalg.inv(np.column_stack([np.ones(3), contact_points(LASER, mount)]))
    return np.asarray(plane @ cov[m.contact_at(mount), m.contact_at(mount)] @ plane.T)


def test_after_a_repair_the_fault_is_gone_and_what_was_worked_on_is_loose() -> None:
    before = learnt()
    after = belief._repaired(LASER, before, "gantry-racking", (2, 3))
    fresh = b.prior(LASER)
    assert (after.sign[:, 0] == -1).all() and len(after.fault) == len(fresh.fault)
    assert after.net_turns == before.net_turns and after.onward == before.onward
    assert after.weight.sum() == pytest.approx(1.0)
    for i, fault in enumerate(after.fault):
        rack = after.cov[i, m.RACK.start, m.RACK.start] / fresh.cov[0, m.RACK.start, m.RACK.start]
        racking = (b.RACK_SD[1] / b.RACK_SD[0]) ** 2
        assert rack == pytest.approx(racking if fault == 1 else belief.REST**2)
        assert not after.mean[i, m.RACK].any() and not after.mean[i, m.BOW].any()
        for mount, tilt in ((1, 0.0), (2, b.REPAIR_TILT_SD), (3, b.REPAIR_TILT_SD)):
            added = plane_of(mount, after.cov[i]) - plane_of(mount, before.cov[0])
            np.testing.assert_allclose(added, np.diag([0.0, tilt**2, tilt**2]), atol=1e-12)
            moved = (
                after.cov[i][m.shift_at(mount), m.shift_at(mount)]
                - before.cov[0][m.shift_at(mount), m.shift_at(mount)]
            )
            np.testing.assert_allclose(moved, (b.REPAIR_SHIFT_SD**2 if tilt else 0.0) * np.eye(3), atol=1e-12)
        np.testing.assert_array_equal(after.mean[i, m.CONTACT], before.mean[0, m.CONTACT])
        np.testing.assert_array_equal(after.cov[i][m.TUBE, m.TUBE], before.cov[0][m.TUBE, m.TUBE])


@pytest.mark.parametrize("mount", [1, 2, 3])
def test_a_mirror_that_was_tightened_may_lie_where_it_swung(mount: int) -> None:
    before = replace(learnt(), fault=np.array([b.LOOSE + mount - 1, 0]))
    after = belief._repaired(LASER, before, "loose-mount", (1, 2, 3))
    for other in (1, 2, 3):
        added = plane_of(other, after.cov[0]) - plane_of(other, before.cov[0])
        tilt = belief.TIGHTENED * b.loose_sd(LASER, other) if other == mount else b.REPAIR_TILT_SD
        np.testing.assert_allclose(np.diag(added), [0.0, tilt**2, tilt**2], atol=1e-12)


@pytest.mark.parametrize(
    ("cause", "shares", "reached"),
    [
        ("gantry-racking", (0.0, 0.0, 0.0), (2, 3)),
        ("rail-bow", (0.9, 0.0, 0.0), (2, 3)),
        ("coolant", (0.9, 0.0, 0.0), (1, 2, 3)),
        ("loose-mount", (0.2, 0.2, 0.05), (1, 2, 3)),  # nobody can say where one was tightened
        ("loose-mount", (0.02, 0.9, 0.0), (2,)),
        ("loose-mount", (0.1, 0.8, 0.0), (1, 2)),
        ("loose-mount", (0.3, 0.0, 0.4), (1, 3)),
    ],
)
def test_a_repair_reaches_the_mirrors_that_may_have_been_worked_on(
    cause: str, shares: tuple[float, ...], reached: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(belief, "loose_shares", lambda _: np.array(shares))
    assert belief._reached(learnt(), cause) == reached


def test_a_repair_may_have_changed_everything() -> None:
    before = learnt()
    after = belief._inspected(LASER, before, FIXED)
    assert after.repairs == (2,) and after.parts_seen == 4
    forgotten = after.cov[:, 0, 0] > 1.0
    assert after.weight[forgotten].sum() == pytest.approx(b.VOID, abs=0.02)
    other = belief._inspected(LASER, before, Inspected("coolant", "fixed"))
    assert other.repairs == (1,) and (other.cov[:, 0, 0] > 1.0).all() and other.parts_seen == 0
    np.testing.assert_array_equal(
        other.mean[:, m.RESPONSE], np.repeat(before.mean[:1, m.RESPONSE], len(other.mean), 0)
    )
    np.testing.assert_array_equal(other.cov[0][m.RESPONSE, m.RESPONSE], before.cov[0][m.RESPONSE, m.RESPONSE])
    assert (other.sign[:, 0] == -1).all() and other.net_turns == before.net_turns


@pytest.mark.parametrize(("outcome", "factor"), [("nothing-found", 1e-3), ("not-fixed", 1e3)])
def test_what_was_looked_for_is_more_or_less_probable(outcome: str, factor: float) -> None:
    before = learnt()
    after = belief._inspected(LASER, before, Inspected("gantry-racking", outcome))
    odds = after.weight[after.fault == 1].sum() / after.weight[after.fault == 0].sum()
    assert odds == pytest.approx(9.0 * factor)
    assert belief._inspected(LASER, before, Inspected("rail-bow", outcome)) is before


def test_the_noise_that_was_learnt_outlives_a_repair() -> None:
    fresh, mixture = b.prior(LASER), b.prior(LASER)
    log_weight = mixture.log_weight + np.where(mixture.noise == 4, np.log(50.0), 0.0)
    mixture = replace(mixture, log_weight=log_weight - np.logaddexp.reduce(log_weight))
    learnt_weight = np.exp(belief._noise_learnt(fresh, mixture))
    assert learnt_weight.sum() == pytest.approx(1.0)
    told = learnt_weight[fresh.noise == 4].sum()
    assert told == pytest.approx(mixture.weight[mixture.noise == 4].sum(), rel=0.05)


def test_the_ways_that_screws_may_work_outlive_a_repair_if_they_are_probable() -> None:
    whole = b.prior(LASER)
    six = b.take(
        whole,
        np.full(6, int(np.flatnonzero(whole.fault == 1)[0])),
        np.log([0.5, 0.3, 0.1, 0.0995, 0.0004, 0.0001]),
    )
    six.sign[:, 0] = (1, -1, 2, -2, screws.DEAD, 1)
    after = belief._repaired(LASER, six, "gantry-racking", (2, 3))
    shares = {int(code): after.weight[after.sign[:, 0] == code].sum() for code in np.unique(after.sign[:, 0])}
    assert shares == pytest.approx(
        {1: 0.5001 / 0.9996, -1: 0.3 / 0.9996, 2: 0.1 / 0.9996, -2: 0.0995 / 0.9996}, rel=1e-3
    )


# a beam that left no mark


@pytest.mark.parametrize("stage", range(5))
def test_each_way_is_tried_by_turns_of_the_mirror_before_it_or_by_the_tube(stage: int) -> None:
    tries = search._tries(seen(), stage)
    assert len(set(tries)) == len(tries)
    if stage == 0:
        ways = {tuple(np.sign(e.move_mm)) for e in tries if isinstance(e, Shift)}
        assert ways == {(0.0, y, z) for y in (-1.0, 0.0, 1.0) for z in (-1.0, 0.0, 1.0)} - {(0.0, 0.0, 0.0)}
        assert all(
            isinstance(e, Shift) and e.part == "tube" and len(set(np.abs(e.move_mm)) - {0.0}) == 1
            for e in tries
        )
    else:
        mount = min(stage, 3)
        screws_ = {c.name for c in LASER.mount[mount - 1].contact if c.screw_pitch_mm is not None}
        assert {(e.mount, e.screw) for e in tries if isinstance(e, Turn)} == {(mount, s) for s in screws_}
        turns = sorted(e.turns for e in tries if isinstance(e, Turn) and e.screw == min(screws_))
        assert turns == [-t for t in reversed(turns)] and 0.25 in turns


def test_a_loose_mirror_lies_elsewhere_at_each_pulse_and_the_others_stay() -> None:
    samples = replace(seen().samples, fault=np.repeat([0, b.LOOSE, b.LOOSE + 1, b.LOOSE + 2], 64))
    one, again, next_pulse = (search._shaken(seen(), samples, pulse) for pulse in (3, 3, 4))
    np.testing.assert_array_equal(one, again)
    np.testing.assert_array_equal(one[:64], samples.x[:64])
    assert (one[64:] != next_pulse[64:]).any(axis=1).all()
    for mount in (1, 2, 3):
        rows = slice(64 * mount, 64 * mount + 64)
        plane = np.linalg.inv(np.column_stack([np.ones(3), contact_points(LASER, mount)]))
        tilt = (one - samples.x)[rows, m.contact_at(mount)] @ plane.T
        np.testing.assert_allclose(tilt[:, 0], 0.0, atol=1e-12)
        np.testing.assert_allclose(tilt[:, 1:].std(0), b.loose_sd(LASER, mount), rtol=0.3)
        rest = np.delete((one - samples.x)[rows], np.arange(m.SIZE)[m.contact_at(mount)], axis=1)
        assert not rest.any()


def test_the_place_where_a_mark_is_most_probable_is_searched_and_no_empty_one() -> None:
    places = [Place(2, i) for i in range(5)]
    rays = o.everywhere(LASER, seen().samples.x)
    told = search.chances(seen(), rays, places)
    assert told == pytest.approx(o.hits(LASER, rays, 2).mean(0)[:5])
    view = at(*(blank(head=o.grid(LASER)[i]) for i in (0, 1, 2, 4)))
    found = search.search(view, 2, places, (seen().samples, rays))
    assert (found.do, found.place, found.why, found.stage) == ("mark", Place(2, 3), "search", 2)


def astray(view: View, by_mm: float) -> tuple[o.Samples, Any]:
    """Machines whose tube has been moved so far that none leaves a mark."""
    x = view.samples.x + m.shift_matrix("tube") @ [0.0, by_mm, 0.0]
    return view.samples.moved(x), o.everywhere(LASER, x)


def test_a_move_that_makes_a_mark_probable_is_made() -> None:
    view, places = at(blank("mirror-1", o.grid(LASER)[0])), [Place(0, 0)]
    found = search.search(view, 0, places, astray(view, 27.0))
    assert isinstance(found.event, Shift) and found.do == "shift" and found.place == Place(0, 0)
    assert found.event.move_mm[1] < 0 and found.why == "search"


def test_machines_that_would_have_left_a_mark_are_struck_out() -> None:
    head = o.grid(LASER)[0]
    view = at(mark("mirror-1", head))
    assert search.survivors(view, 1) is view.samples
    missed = replace(
        view, alignment=replace(view.alignment, events=(*view.alignment.events, NoMark("mirror-2", head)))
    )
    left = search.survivors(missed, 1)
    assert 0 < len(left.x) <= POLICY.agreeing_most
    hits = o.hits(LASER, o.everywhere(LASER, left.x), 1)[:, 0]
    assert hits.mean() < 0.05


# the sentence


def worded(choice: Choice, *events: Event, **more: Any) -> Any:
    return say._made(at(*events, **more), choice, None)


@pytest.mark.parametrize(
    ("net", "turns", "warns"),
    [
        (0.0, 0.5, False),
        (0.0, 0.8, True),
        (0.0, -0.8, True),
        (0.5, 0.2, False),
        (0.5, 0.3, True),
        (-0.5, -0.3, True),
    ],
)
def test_the_end_of_a_thread_is_warned_of_a_quarter_turn_before_it(
    net: float, turns: float, warns: bool
) -> None:
    mount = replace(LASER.mount[1], turns_from=-1.0, turns_to=1.0)
    laser = replace(LASER, mount=(LASER.mount[0], mount, LASER.mount[2]))
    mixture = replace(seen().mixture, net_turns=tuple(net if i == 3 else 0.0 for i in range(9)))
    view = replace(at(mixture=mixture), alignment=replace(at().alignment, machine=laser))
    words = say._made(view, Choice("turn", event=Turn(2, "top", turns)), None)
    assert words.what == "turn the 'top' screw of mirror 2"
    assert (words.care != "") is warns
    assert words.way == ("clockwise" if turns > 0 else "anticlockwise")


@pytest.mark.parametrize("why", ["", "doubt", "blank", "fault", "long", "search"])
def test_a_mark_is_asked_for_at_its_place_and_once_more_where_it_was_made(why: str) -> None:
    first = worded(Choice("mark", place=Place(1, 1), why=why))
    assert first.what.startswith("hang a card and mark mirror 2") and first.where == "head at the front left"
    later = worded(Choice("mark", place=Place(1, 1), why=why), mark())
    assert later.what.startswith("mark mirror 2")
    assert ("once more" in later.what) is (why in ("doubt", "blank", "fault", "long"))
    assert worded(Choice("mark", place=Place(0, 1), why=why), mark()).where == ""
    anew = worded(Choice("mark", place=Place(3, 1, anew=True), why=why), mark())
    assert anew.what.startswith("take the card off, hang it again and mark the nozzle")
    below = worded(Choice("mark", place=Place(m.BELOW_AT, 2), why=why), mark())
    assert f"{m.BELOW_MM:.0f} mm below" in below.first and not later.first


@pytest.mark.parametrize(
    ("station", "ends"), [("mirror-1", "mirror 1 should"), ("mirror-2", "head at the front left, should")]
)
def test_where_the_next_mark_should_land_is_said_with_its_place(station: str, ends: str) -> None:
    words = say._then(at(), Expect(station, (0.0, 0.0), (0.4, -0.1), 0.1))
    assert ends in words and words.endswith("land 0.4 mm right and 0.1 mm below the centre")
    assert say._then(at(), None) == ""


@pytest.mark.parametrize(
    ("note", "events", "said"),
    [
        (b.Note("way", 1, "top", "top"), [Turn(1, "top", 0.5), mark()], "turned the other way"),
        (b.Note("none", 1, "top", "top"), [Turn(1, "top", 0.5), mark()], "was not turned"),
        (b.Note("screw", 1, "side", "top"), [mark(), Turn(1, "top", 0.5), mark()], "instead of 'top'"),
        (b.Note("way", 1, "top", "top"), [Turn(1, "top", 0.5), mark(), mark()], ""),  # told already
        (b.Note("way", 2, "top", "top"), [Turn(1, "top", 0.5), mark()], ""),
        (b.Note("way", 1, "top", "top"), [mark(), Turn(1, "top", 0.5)], ""),  # no mark has shown it
        (
            b.Note("moved", asked="tube"),
            [Shift("tube", (0.0, 1.0, 0.0)), mark()],
            "in another direction than asked",
        ),
        (b.Note("left", asked="mirror-2"), [Shift("mirror-2", (0.0, 1.0, 0.0)), mark()], "was not moved"),
        (b.Note("left", asked="tube"), [Shift("tube-far", (0.0, 1.0, 0.0)), mark()], ""),
        (b.Note("reading"), [mark()], "not counted"),
        (b.Note("upset"), [mark()], "no longer fit"),
        (None, [mark()], ""),
        (b.Note("reading"), [], ""),
    ],
)
def test_what_went_wrong_is_said_once_a_mark_shows_it(
    note: b.Note | None, events: list[Event], said: str
) -> None:
    best = seen().mixture.best
    notes = tuple((note,) if note and i == best else () for i in range(len(seen().mixture.fault)))
    words = say._noticed(at(*events, mixture=replace(seen().mixture, notes=notes, doubt=0.9)))
    assert (said in words) if said else not words


@pytest.mark.parametrize(
    ("events", "stations"),
    [
        ([mark("mirror-1"), Turn(1, "top", 0.5), mark("nozzle"), mark("mirror-2")], ["mirror-2", "nozzle"]),
        ([mark("mirror-1"), Shift("tube", (0.0, 1.0, 0.0))], []),
        ([mark("mirror-1"), Inspected("rail-bow", "fixed"), blank()], ["mirror-1"]),
    ],
)
def test_marks_since_a_move_are_those_after_it(events: list[Event], stations: list[str]) -> None:
    assert say._marked_since_move(at(*events)) == stations


def test_the_odds_of_each_leg_are_those_of_its_own_numbers() -> None:
    numbers = np.zeros((10, 7))
    for key, count in ((0, 1), (1, 2), (2, 2), (3, 3), (6, 4)):
        numbers[:count, key] = 1.01
    assert say._odds(replace(seen(), numbers=numbers)) == pytest.approx([0.9, 0.8, 0.7, 0.6])
    assert say._odds(replace(seen(), numbers=np.ones((10, 7)))) == [1.0] * 4
