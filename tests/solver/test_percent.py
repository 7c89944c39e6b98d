"""Power in words: no text says that all of a Gaussian beam passes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.solver.machine.power import percent


@pytest.mark.parametrize(
    ("fraction", "words"),
    [(0.0, "0"), (0.874, "87"), (0.9849, "98"), (0.9852, "98.5"), (0.9994, "99.9"), (0.9996, "> 99.9")],
)
def test_power_is_said_as_finely_as_it_matters(fraction: float, words: str) -> None:
    assert percent(fraction) == words


@given(st.floats(0, 1))
def test_a_hundred_is_never_said_and_nothing_is_off_by_more_than_half(fraction: float) -> None:
    words = percent(fraction)
    assert words != "100" and words != "100.0"
    assert float(words.removeprefix("> ")) == pytest.approx(100 * fraction, abs=0.5)
