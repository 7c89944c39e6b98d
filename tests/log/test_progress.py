"""Long work tells how far it is: often enough for a bar, not for each of a million rows."""

from __future__ import annotations

import pytest

from server.log._progress import told


@pytest.mark.parametrize("count", [0, 1, 3, 499, 500, 1000, 1001, 1234])
def test_the_items_come_as_they_are_and_the_last_is_told(count: int) -> None:
    said: list[tuple[str, int, int]] = []
    assert list(told(range(count), "rows", count, lambda *words: said.append(words))) == [*range(count)]
    step = max(1, count // 500)
    places = [place for place in range(1, count + 1) if place % step == 0 or place == count]
    assert said == [("rows", place, count) for place in places]
    assert len(said) < 700
