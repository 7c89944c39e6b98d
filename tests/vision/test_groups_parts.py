"""The parts of grouping old marks: the region around a mark, what lies in it, its crop, what is refused."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from vision import groups
from vision.bare_tape import INSIDE_MM
from vision.fit import Spot
from vision.groups import Group
from vision.window import Grid, window_grid

GRID = window_grid(0.2)
U, V = np.meshgrid(*GRID.axes_mm())
COLOUR = np.array([1.0, 0.0, 0.0])


def spot(at: tuple[float, float], radius: float = 2.0, flatness: float = 6.0) -> Spot:
    half = flatness + np.log1p(2 * np.exp(-flatness))
    unknown = np.zeros((2, 2)), np.zeros(0), 0.0, np.zeros((2, 0))
    return Spot(np.array(at), half / radius**2 * np.eye(2), flatness, 80.0, np.zeros(3), *unknown)


def disc(at: tuple[float, float], radius: float = 2.0) -> np.ndarray:
    return np.hypot(U - at[0], V - at[1]) < radius


def old(at: tuple[float, float], width_mm: tuple[float, float] = (4.0, 4.0), shape: str = "round"):
    return SimpleNamespace(spot=spot(at), colour=COLOUR, mark=SimpleNamespace(width_mm=width_mm, shape=shape))


def test_a_group_reaches_as_far_as_its_farthest_pulse():
    group = Group([], [spot((1.0, 1.0)), spot((1.0, 2.0)), spot((4.0, 5.0))], COLOUR)
    assert group.reach_mm() == pytest.approx(5.0) and group.beam is group.pulses[0]


def test_a_region_is_what_hangs_together_with_the_disc_from_half_its_depth_on():
    here, beside, faint, far = disc((0, 0)), disc((3.5, 0)), disc((-3.5, 0)), disc((12, 0))
    depth = (
        np.where(here | far, 80.0, 0.0) + np.where(beside & ~here, 41.0, 0) + np.where(faint & ~here, 39.0, 0)
    )
    assert np.array_equal(groups._region(depth, here), here | beside)
    assert not groups._region(depth, np.zeros_like(here)).any()


def test_a_mark_lies_in_a_region_by_the_share_of_its_inner_part():
    assert groups._share_in(spot((3.0, 4.0)), U < 3.1, GRID) == pytest.approx(0.55, abs=0.06)
    assert groups._share_in(spot((3.0, 4.0)), disc((3.0, 4.0), 1.05), GRID) == 1.0
    assert groups._share_in(spot((90.0, 0.0)), disc((3.0, 4.0)), GRID) == 0.0


@pytest.mark.parametrize("at", [(5.0, -6.0), (0.0, 21.0), (-21.0, 0.0), (21.0, 0.0)])
def test_the_crop_around_a_region_is_a_part_of_the_window_on_a_grid_of_its_own(at):
    region = disc(at) | disc((at[0] * 0.9, at[1] * 0.9))
    depth = 3 * U + 5 * V
    part, inside, weight, grid = groups._around(depth, region, GRID)
    u, v = np.meshgrid(*grid.axes_mm())
    assert part.shape == weight.shape == (grid.side, grid.side)
    assert part == pytest.approx(3 * u + 5 * v)
    assert inside.sum() == region.sum()
    reach = np.where(inside, 0, np.inf)
    for row, col in np.argwhere(inside):  # what counts: all within 1.3 mm, across and up, that is inside
        reach = np.minimum(reach, np.maximum(abs(u - u[row, col]), abs(v - v[row, col])))
    assert np.array_equal(weight > 0, (reach < 1.35) & (np.hypot(u, v) < INSIDE_MM))
    assert set(np.unique(weight)) <= {0.0, 1.0}


@pytest.mark.parametrize(
    ("mark", "one"),
    [
        (old((3.0, 0.0), (4.0, 3.64)), True),
        (old((3.0, 0.0), (4.0, 3.56)), False),
        (old((3.0, 0.0), (3.64, 4.0)), True),
        (old((3.0, 0.0), shape="oval"), False),
        (old((20.4, 0.0)), True),
        (old((20.6, 0.0)), False),  # cut by the rim
        (old((-15.0, -15.0)), False),
    ],
)
def test_one_pulse_is_round_and_whole(mark, one):
    assert groups._of_one_pulse(mark) is one


def grouped(monkeypatch, burnt: np.ndarray, older: list, pulses: list[Spot] | None, at=(0.0, 0.0)) -> Group:
    monkeypatch.setattr(groups, "pulses_of", lambda *around: pulses)
    return groups._group(burnt[..., None] * COLOUR, COLOUR, disc(at), older, GRID)


def test_only_firm_pulses_of_marks_inside_the_window_are_taken(monkeypatch):
    two = [old((0.0, 0.0)), old((3.0, 0.0))]
    burnt = 80.0 * (disc((0.0, 0.0)) | disc((3.0, 0.0)))
    firm = [spot((0.0, 0.0), flatness=3.1), spot((3.0, 0.0), flatness=3.1)]
    group = grouped(monkeypatch, burnt, [*two, old((9.0, 0.0))], firm)
    assert (group.marks, group.pulses) == (two, firm)
    soft = [replace(one, flatness=2.9) for one in firm]
    assert grouped(monkeypatch, burnt, two, soft).pulses == []
    assert grouped(monkeypatch, burnt, two, None).pulses == []
    rim = 80.0 * (disc((20.5, 0.0)) | disc((17.5, 0.0)))
    assert grouped(monkeypatch, rim, [], firm, (20.5, 0.0)).pulses == []
    assert grouped(monkeypatch, rim, [], firm, (60.0, 0.0)).pulses == []  # nothing burnt there


def test_one_mark_alone_is_the_pulse_that_was_fitted_unless_it_is_long(monkeypatch):
    burnt, firm = 80.0 * disc((0.0, 0.0)), [spot((0.2, 0.0))]
    alone, long = old((0.0, 0.0)), old((0.0, 0.0), (4.0, 3.0))
    assert grouped(monkeypatch, burnt, [alone], firm).pulses == [alone.spot]
    assert grouped(monkeypatch, burnt, [long], firm).pulses == firm


def test_a_mark_touches_a_region_with_more_than_half_of_its_inner_part(monkeypatch):
    burnt, firm = 80.0 * disc((0.0, 0.0), 3.0), [spot((0.0, 0.0))]
    in_it, beside = old((2.6, 0.0)), old((3.4, 0.0))
    assert grouped(monkeypatch, burnt, [in_it, beside], firm).marks == [in_it]


def test_a_grid_that_is_cropped_keeps_its_pitch():
    _, _, _, grid = groups._around(U, disc((5.0, -6.0)), GRID)
    assert isinstance(grid, Grid) and grid.pitch_mm == GRID.pitch_mm
    assert grid.side == 2 * (9 + round(1.3 / 0.2)) + 1 or grid.side == 2 * (10 + round(1.3 / 0.2)) + 1
