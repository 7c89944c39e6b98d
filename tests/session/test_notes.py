"""What a session notes of a frame."""

from __future__ import annotations

import time

import pytest

from server.session.notes import seen_now
from tests.pages.doubles import mark, reading


def test_a_frame_two_seconds_old_is_dated_by_the_wall_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "monotonic", lambda: 50.0)
    monkeypatch.setattr(time, "time", lambda: 1000.0)
    # short numbers: they are sent with each frame
    live = seen_now(reading("mirror-1", mark(0.12345, -1.0)), 48.00004)
    assert (live.taken_s, live.taken_ms, live.offset_mm) == (
        48.0,
        998_000.0,
        (0.123, -1.0),
    )
