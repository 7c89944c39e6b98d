"""A pulse of the same beam on an old mark, in two photos by hand: where it is, what only looks like it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_measure_parts import MARK
from test_pairs import VIEW, disc, plane

from vision import repeat_pulse
from vision.compare import compare
from vision.core import read_between
from vision.fit import Spot, fit_spot
from vision.groups import Group, by_card
from vision.joint import Mismatch
from vision.measure import TrackedMark
from vision.reading import NoReading, Reading
from vision.repeat_pulse import Crop, RepeatFit, fit_repeat, repeated_pulse, shift_likely
from vision.tone_curve import SAME
from vision.window import Grid

GRID = Grid((3.0, -2.0), 0.25, 45)
U, V = np.meshgrid(*GRID.axes_mm())
DEEP = 100.0
BY_HAND, STAND = Mismatch(0.06, 0.03, 0.3), Mismatch(0.015, 0.008, 0.03)


def burnt(at: tuple[float, float], radius: float = 2.2) -> np.ndarray:
    """Share of the colour that a pulse takes."""
    return 0.97 / (1 + np.exp((np.hypot(U - at[0], V - at[1]) - radius) / 0.15))


def old_spot(at: tuple[float, float] = (3.0, -2.0)) -> Spot:
    return fit_spot(U.ravel(), V.ravel(), DEEP * burnt(at).ravel(), centre=at, radius=2.2)


def crop(change: np.ndarray, *, lamp: float = 0.0, seed: int = 1) -> Crop:
    """An old mark in the middle; `lamp` is how much brighter the light is taken for there, as a share."""
    gone, spot = DEEP * burnt((3.0, -2.0)), old_spot()
    seen = change + np.random.default_rng(seed).normal(0, 0.5, U.shape)
    rows, likely = repeat_pulse._causes(
        GRID, [spot], gone, lamp * gone, [gone**2 / DEEP, gone**3 / DEEP**2], 0.06**2 * np.eye(2)
    )
    return Crop(GRID, [spot], seen, gone, np.ones(U.shape), (0.0, 0.0), rows, likely)


def pulse(at: tuple[float, float], radius: float = 2.2) -> np.ndarray:
    return DEEP * burnt(at, radius) * (1 - burnt((3.0, -2.0)))


@pytest.mark.parametrize(("at", "radius"), [((3.3, -2.0), 2.2), ((2.6, -1.5), 2.35), ((3.0, -2.9), 2.05)])
def test_a_crescent_tells_where_another_pulse_of_the_beam_lies(at, radius):
    fitted = fit_repeat(crop(pulse(at, radius)))
    assert fitted is not None and fitted.certain
    sigma = np.sqrt(np.diag(fitted.covariance))
    assert np.abs(fitted.spot.centre - at).max() < 0.1
    assert (np.abs(fitted.spot.centre - at) < 3 * sigma).all() and sigma.max() < 0.2
    assert fitted.spot.radius() == pytest.approx(radius, abs=0.12)


def shifted(by_mm: float) -> np.ndarray:
    return DEEP * (burnt((3.0 + by_mm, -2.0)) - burnt((3.0, -2.0)))


OLD = DEEP * burnt((3.0, -2.0))
AWAY = np.hypot(U - 3.0, V + 2.0)
RIM = 8 * np.exp(-(((AWAY - 2.3) / 0.3) ** 2)) * (U - 3.0) / AWAY.clip(0.1)


@pytest.mark.parametrize(
    "change",
    [
        0 * U,
        shifted(0.1),
        -0.15 * OLD,  # the other photo has less contrast
        -0.1 * OLD + 0.1 * OLD**2 / DEEP,  # its tones are bent
        RIM,  # its light comes from another side
        DEEP * (burnt((3.0, -2.0), 2.25) - burnt((3.0, -2.0))) / 2 + 3 * (U - 3.0),
    ],
)
def test_what_two_photos_of_an_old_mark_differ_by_is_no_pulse(change):
    fitted = fit_repeat(crop(change))
    assert fitted is not None and not fitted.certain


def test_where_a_lamp_s_image_lay_the_old_mark_may_differ_by_as_much():
    """Its gain and the slope of it are held by how much the light changed."""
    change = 0.35 * OLD * (1 + (U - 3.0) / 4)
    plain, lit = (fit_repeat(crop(change, lamp=lamp)) for lamp in (0.0, 0.5))
    assert plain is not None and lit is not None
    assert lit.gained < plain.gained / 3


def test_a_pulse_is_told_by_its_gain_its_share_and_its_height():
    spot = old_spot()
    sure = RepeatFit(spot, np.ones(1), np.eye(2), gained=76.0, share=0.71, height=1.0)
    assert sure.certain
    for unsure in ({"gained": 74.0}, {"share": 0.69}, {"height": 0.49}, {"height": 2.1}):
        one = replace(sure, **unsure)
        assert not one.certain and one.placed


def test_a_pulse_clearly_beside_the_old_one_needs_less_to_be_told():
    beside = RepeatFit(
        old_spot(), np.ones(1), np.eye(2), gained=46.0, share=0.56, height=1.0, away=(2.1, 0.9)
    )
    assert beside.certain
    for unsure in ({"gained": 44.0}, {"share": 0.54}, {"away": (1.9, 0.9)}, {"away": (2.1, 1.1)}):
        assert not replace(beside, **unsure).certain


def test_a_pulse_that_is_not_told_may_still_be_placed():
    sure = RepeatFit(old_spot(), np.ones(1), np.eye(2), gained=76.0, share=0.71, height=1.0)
    assert not replace(sure, gained=9.9).placed and not replace(sure, height=0.29).placed


@dataclass(frozen=True, eq=False)
class Old:
    """What is asked of an old mark, or of a new one."""

    name: tuple[float, float]
    spot: Spot
    brighter: float


def old_at(at: tuple[float, float] = (3.0, -2.0), radius: float = 2.2, brighter: float = -0.6) -> Old:
    spot = old_spot()
    resized = replace(spot, centre=np.array(at), form=spot.form * (spot.radius() / radius) ** 2)
    return Old(at, resized, brighter)


def asked(monkeypatch, fits, *, found=(), older=(), groups=None, mismatch=BY_HAND):
    """What is told of old marks for which these fits are told in order; each is a group unless others are."""
    fits = iter(fits)
    groups = [Group([old], [old.spot], np.ones(3)) for old in older] if groups is None else groups
    monkeypatch.setattr(repeat_pulse, "groups_of", lambda pair, older: groups)
    monkeypatch.setattr(repeat_pulse, "crops_of", lambda pair, group: ["crop"] * len(group.pulses))
    monkeypatch.setattr(repeat_pulse, "fit_repeat", lambda crop: next(fits))

    def tracked(pair, group, crop, fit):
        return SimpleNamespace(mark=f"on {group.marks[0].name}" if group.marks else f"of {fit.gained}")

    monkeypatch.setattr(repeat_pulse, "_tracked", tracked)
    monkeypatch.setattr(repeat_pulse, "_agreed", lambda one, other: (one.mark, other.name))
    return repeated_pulse(SimpleNamespace(mismatch=mismatch), list(found), list(older))[:2]


def fit(certain: bool = True, placed: bool = True, gained: float = 80.0) -> SimpleNamespace:
    return SimpleNamespace(certain=certain, placed=placed, gained=gained)


def test_a_pulse_on_one_old_mark_is_told(monkeypatch):
    here, there = old_at(), old_at((-9.0, 4.0))
    found, place = asked(monkeypatch, [fit(), fit(certain=False)], older=[here, there])
    assert [one.mark for one in found] == ["on (3.0, -2.0)"] and place is None
    assert asked(monkeypatch, [fit(), fit()], older=[here, there]) == ([], None)  # light, on both
    assert asked(monkeypatch, [], older=[here], groups=[]) == ([], None)  # no pulses of one beam
    assert asked(monkeypatch, [None], older=[here]) == ([], None)


def test_the_best_of_the_places_in_a_group_is_told(monkeypatch):
    group = Group([], [old_spot(), old_spot((6.0, -2.0)), old_spot((9.0, -2.0))], np.ones(3))
    fits = [fit(gained=50.0), fit(gained=90.0), None]
    found, _ = asked(monkeypatch, fits, groups=[group])
    assert [one.mark for one in found] == ["of 90.0"]


def test_where_it_is_not_sure_its_place_is_told(monkeypatch):
    here, there = old_at(), old_at((-9.0, 4.0))
    assert asked(monkeypatch, [fit(certain=False)], older=[here]) == ([], "on (3.0, -2.0)")
    assert asked(monkeypatch, [fit(certain=False, placed=False)], older=[here]) == ([], None)
    assert asked(monkeypatch, [fit(certain=False)] * 2, older=[here, there]) == ([], None)
    one_of_two = [Group([here], [here.spot], np.ones(3))]
    assert asked(monkeypatch, [fit(certain=False)], older=[here, there], groups=one_of_two) == ([], None)


@pytest.mark.parametrize(("at", "several"), [((3.9, -2.0), False), ((4.1, -2.0), True)])
def test_pulses_that_touch_lie_in_several_places_from_a_mm_on(monkeypatch, at, several):
    here = old_at()
    group = Group([here], [here.spot, old_spot(at)], np.ones(3))
    monkeypatch.setattr(repeat_pulse, "groups_of", lambda pair, older: [group])
    monkeypatch.setattr(repeat_pulse, "crops_of", lambda pair, group: [])
    assert repeated_pulse(SimpleNamespace(mismatch=BY_HAND), [], [here]) == ([], None, several)
    assert repeated_pulse(SimpleNamespace(mismatch=BY_HAND), [old_at((12.0, 5.0))], [here])[2] is several


def test_what_is_no_mark_of_the_old_ones_beam_is_left_out(monkeypatch):
    here, unsure = old_at(), fit(certain=False, placed=False)
    piece, whole = old_at((3.5, -2.5), radius=1.4), old_at((3.5, -2.5), radius=1.6)
    assert asked(monkeypatch, [unsure], found=[piece], older=[here]) == ([], None)
    assert asked(monkeypatch, [unsure], found=[whole], older=[here]) == ([whole], None)
    faint, plain = old_at((12.0, 5.0), brighter=-0.1), old_at((12.0, 5.0), brighter=-0.2)
    assert asked(monkeypatch, [unsure], found=[faint], older=[here]) == ([], None)
    assert asked(monkeypatch, [], found=[plain], older=[here]) == ([plain], None)
    assert asked(monkeypatch, [], found=[faint], older=[]) == ([faint], None)
    assert asked(monkeypatch, [], found=[piece], older=[here], groups=[]) == ([piece], None)


def test_a_mark_elsewhere_or_a_camera_on_a_stand_asks_no_old_mark(monkeypatch):
    elsewhere, on_it = old_at((12.0, 5.0)), old_at((3.5, -2.5))
    assert asked(monkeypatch, [], found=[elsewhere], older=[old_at()]) == ([elsewhere], None)
    assert asked(monkeypatch, [], older=[old_at()], mismatch=STAND) == ([], None)
    found, _ = asked(monkeypatch, [fit()], found=[on_it], older=[old_at()])
    assert found == [("on (3.0, -2.0)", (3.5, -2.5))]


def test_two_places_of_one_pulse_are_put_between_and_doubted():
    one, other = (
        SimpleNamespace(mark=replace(MARK, offset_mm=at, sigma_mm=(0.03, 0.1)))
        for at in ((1.0, 2.0), (1.2, 2.0))
    )
    tracked = TrackedMark(one.mark, None, None, None, None, None)
    both = repeat_pulse._agreed(tracked, other).mark
    assert both.offset_mm == pytest.approx((1.1, 2.0))
    assert both.sigma_mm == pytest.approx((np.hypot(0.03, 0.1), 0.1))


def photo(*burns: tuple[float, float], light: float = 1.0, dark: float = 100.0) -> np.ndarray:
    """Tape with burns that add up as doses do."""

    def paint(u, v):
        left = np.prod([1 - 0.97 * disc(u, v, at, 2.5, 0.25) for at in burns], axis=0)
        levels = 150.0 - dark * (1 - left)
        return light * np.where(np.hypot(u, v) < 23, levels, 220.0)

    return plane(paint)


OLD_AT = (5.0, -6.0)


def test_between_two_photos_a_crescent_as_wide_as_a_tenth_of_a_mark_is_told():
    before, after = photo(OLD_AT), photo(OLD_AT, (5.35, -6.3), light=0.6)
    answer, follower = read_between("mirror-1", after, VIEW, before, VIEW)
    assert isinstance(answer, Reading) and follower is not None
    new, old = answer.marks
    assert (new.new, old.new) == (True, False)
    assert new.offset_mm == pytest.approx((5.35, -6.3), abs=0.1)
    assert new.width_mm == pytest.approx(old.width_mm, rel=0.1)


def test_between_two_photos_of_one_mark_in_other_tones_nothing_is_new():
    again_seen = photo(OLD_AT, light=0.6, dark=115.0)
    answer, _ = read_between("mirror-1", again_seen, VIEW, photo(OLD_AT), VIEW)
    assert isinstance(answer, NoReading) and answer.on_top is not None
    assert answer.on_top.offset_mm == pytest.approx(OLD_AT, abs=2 * max(answer.on_top.sigma_mm))


def test_no_place_and_no_tones_are_taken_from_old_marks():
    """Tape may stand off the card's plane, and is seen apart along the lines of sight only."""
    pair = compare(photo(OLD_AT, light=0.6, dark=115.0), VIEW, photo(OLD_AT), VIEW)
    seen_apart = replace(pair.earlier, shift=np.full((2, 6), 0.1), doubt=1e-6 * np.eye(12))
    card = by_card(replace(pair, earlier=seen_apart))
    at = np.array(OLD_AT)
    assert card.tone is SAME and pair.tone is not SAME
    assert card.earlier.apart(at)[0] == pytest.approx((0.0, 0.0))
    assert card.earlier.apart(at)[1].min() >= 0 and np.trace(card.earlier.apart(at)[1]) > 1
    assert shift_likely(card, at) == pytest.approx(0.03**2 * np.eye(2), abs=1e-9)


def test_tape_that_stands_off_is_seen_apart_along_the_difference_of_two_lines_of_sight(monkeypatch):
    views = iter([np.array([0.5, 0.1]), np.array([0.1, 0.1])])
    monkeypatch.setattr(repeat_pulse, "sight_slope", lambda view, shape, at: next(views))
    picture = SimpleNamespace(view=VIEW, picture=np.zeros((2, 2, 3)))
    pair = SimpleNamespace(view=VIEW, shown=picture, earlier=picture)
    variance = shift_likely(pair, np.zeros(2))
    assert variance == pytest.approx(np.diag([0.06**2 + 0.03**2, 0.03**2]), abs=1e-9)


CHAIN = ((2.0, -7.0), (5.5, -6.0), (8.0, -3.0))


def test_between_two_photos_a_pulse_is_told_on_marks_that_have_run_into_each_other():
    before, after = photo(*CHAIN), photo(*CHAIN, (8.4, -2.6), light=0.6)
    answer, _ = read_between("mirror-1", after, VIEW, before, VIEW)
    assert isinstance(answer, Reading)
    new = [mark for mark in answer.marks if mark.new]
    assert [mark.offset_mm for mark in new] == [pytest.approx((8.4, -2.6), abs=0.15)]


def test_between_two_photos_of_such_marks_in_other_tones_nothing_is_new_and_no_place_is_told():
    answer, _ = read_between("mirror-1", photo(*CHAIN, light=0.6, dark=115.0), VIEW, photo(*CHAIN), VIEW)
    assert isinstance(answer, NoReading) and answer.on_top is None
