"""Old marks that touch each other, as pulses of one beam."""

from __future__ import annotations

import numpy as np
import pytest
from test_pairs import VIEW, disc, plane

from vision.compare import compare
from vision.core import marks_on
from vision.groups import groups_of

APART, CHAIN = (-9.0, 6.0), ((2.0, -7.0), (5.5, -6.0), (8.0, -3.0))


def photo(*burns: tuple[float, float], soft: float = 0.25, light: float = 1.0) -> np.ndarray:
    def paint(u, v):
        left = np.prod([1 - 0.97 * disc(u, v, at, 2.5, soft) for at in burns], axis=0)
        return light * np.where(np.hypot(u, v) < 23, 50.0 + 100 * left, 220.0)

    return plane(paint)


def groups(*burns: tuple[float, float], listed: bool = True, soft: float = 0.25):
    before = photo(*burns, soft=soft)
    older = marks_on(before, VIEW, new=False) if listed else []
    return groups_of(compare(photo(*burns, soft=soft, light=0.7), VIEW, before, VIEW), older), older


def test_a_round_mark_is_one_pulse_as_it_was_fitted():
    found, older = groups(APART)
    assert len(found) == len(older) == 1
    assert found[0].marks == older and found[0].pulses == [older[0].spot]


def test_marks_that_touch_are_one_group_of_several_pulses():
    found, older = groups(APART, *CHAIN[:2])
    both, alone = sorted(found, key=lambda group: -len(group.pulses))
    assert len(found) == 2 and len(alone.pulses) == 1
    places = sorted(tuple(pulse.centre) for pulse in both.pulses)
    assert np.abs(np.array(places) - CHAIN[:2]).max() < 0.15
    assert both.beam.radius() == pytest.approx(2.5, abs=0.15)
    assert {id(mark) for group in found for mark in group.marks} == {id(mark) for mark in older}


def test_where_no_mark_is_listed_only_several_pulses_are_taken_for_marks():
    found, _ = groups(*CHAIN, listed=False)
    assert [len(group.pulses) for group in found] == [3] and found[0].marks == []
    assert groups(APART, listed=False)[0] == []


def test_soft_marks_on_each_other_and_marks_behind_the_rim_are_not_taken_apart():
    assert groups((3.0, -5.0), (6.0, -4.0), soft=1.6)[0] == []
    assert groups((19.5, 6.0), (20.5, 9.0))[0] == []
