"""Smoke beside a burn: told apart from the burn, and never where there is none."""

from dataclasses import replace

import handheld
import numpy as np
import pytest
from handheld import Burn, Sheet, Shot
from scenes import View

import vision
from vision.core import marks_on
from vision.fit import fit_spot
from vision.measure import follow
from vision.smoke import Points, beside_smoke

AT, RADIUS = (0.3, -0.2), 2.2


def plume(law, u, v):
    """Smoke towards the right of a burn, by several laws that are none of a sum of bumps."""
    far = np.hypot(u - AT[0], v - AT[1]) / RADIUS
    side = 0.5 + 0.5 * np.cos(np.arctan2(v - AT[1], u - AT[0]))
    if law == "fades away":
        return 30 * side * np.exp(-np.maximum(far - 1, 0) / 0.5)
    right = (u - AT[0]) / RADIUS
    return 40 * np.clip(right, 0, 1) * np.exp(-((v - AT[1]) ** 2) - np.maximum(right - 1, 0))


def points(smoke=None, shown=1.0, cut=9.0, soft_mm=0.18):
    """A burn of 80 levels that lets `1 - shown` of the smoke through, on noise; what lies right of `cut` is
    not burnt.
    """
    u, v = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-4.5, 4.5, 72)] * 2))
    burnt = 1 / (1 + np.exp((np.hypot(u - AT[0], v - AT[1]) - RADIUS) / soft_mm)) * (u < cut)
    beside = 0 if smoke is None else plume(smoke, u, v) * (1 - shown * burnt)
    noise = np.random.default_rng(5).normal(0, 1.2, u.size)
    return Points(u, v, 80 * burnt + beside + noise, np.ones(u.size))


def fitted(at):
    return fit_spot(at.x, at.y, at.z, centre=(0.0, 0.0), radius=2.0, weight=at.weight, oval=True)


@pytest.mark.parametrize("law", ["fades away", "streak"])
@pytest.mark.parametrize("shown", [1.0, 0.7])
def test_smoke_on_one_side_does_not_draw_the_mark_after_it(law, shown):
    at = points(law, shown)
    plain = fitted(at)
    smoky = beside_smoke(at, plain, oval=True)
    assert plain.centre[0] - AT[0] > 0.06
    assert np.hypot(*(smoky.spot.centre - AT)) < 0.03
    assert np.hypot(*(smoky.spot.centre - AT)) < 3 * np.sqrt(smoky.variance.sum() + 0.01**2)


@pytest.mark.parametrize("cut", [9.0, 1.2])
def test_a_mark_without_smoke_and_one_that_is_cut_off_stay_as_they_are(cut):
    at = points(cut=cut)
    plain = fitted(at)
    smoky = beside_smoke(at, plain, oval=True)
    assert smoky.spot is plain
    assert not smoky.smoke.any()


def test_a_soft_mark_stays_where_it_is_and_is_less_sure():
    at = points("streak", soft_mm=0.9)
    plain = fitted(at)
    smoky = beside_smoke(at, plain, oval=True)
    assert smoky.spot is plain
    assert np.sqrt(smoky.variance[0]) > 0.3 * (plain.centre[0] - AT[0]) > 0.02


def test_a_mark_with_smoke_is_read_followed_and_found_new_where_it_was_burnt():
    burn = Burn((-5.0, 3.0), diameter=6.0, dose=2.5, soft_mm=0.5, halo=0.8, halo_deg=30.0)
    sheet, shot = Sheet(burns=(burn,)), Shot(view=View(distance_mm=220.0), noise=1.0, jpeg=None)
    rng = np.random.default_rng(3)
    before, after = (handheld.take(s, shot, rng) for s in (replace(sheet, burns=()), sheet))
    for answer in (vision.read(after), vision.read(after, before)):
        (mark,) = answer.marks
        assert mark.offset_mm == pytest.approx(burn.centre, abs=0.08)
        assert mark.shape == "round"
    (seen,) = marks_on(after, answer.card, new=None)
    later = follow(seen, handheld.take(sheet, shot, rng), answer.card)
    assert later.offset_mm == pytest.approx(seen.mark.offset_mm, abs=0.02)
