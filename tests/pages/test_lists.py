"""What the lists of the pages say of an alignment."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from server.pages.lists import verdict_in_short, verdict_rows
from server.pages.shared import Shared
from server.practice import default_profile

GOOD = {
    "aligned": True,
    "overlap_mm": {"mirror-2": 0.3, "mirror-3": 0.8},
    "centre_mm": {"mirror-1": 0.2, "mirror-2": 0.3, "mirror-3": 0.4},
    "lens_mm": 0.9,
    "nozzle_mm": 0.1,
    "reasons": [],
}


@pytest.mark.parametrize(
    ("verdict", "sign", "words"),
    [
        (None, "open", "none yet"),
        (GOOD, "yes", "aligned"),
        (GOOD | {"nozzle_mm": 0.5}, "no", "nearly"),
        (GOOD | {"lens_mm": None}, "yes", "aligned"),
        (GOOD | {"aligned": False}, "no", "not yet"),
    ],
)
def test_a_verdict_in_a_word(verdict: dict[str, Any] | None, sign: str, words: str) -> None:
    assert verdict_in_short(verdict, default_profile()) == (sign, words)


def test_what_no_mark_shows_is_said_to_be_not_measured() -> None:
    found = verdict_rows(GOOD | {"lens_mm": None}, default_profile())
    assert found is not None and found["good"]
    (lens,) = (row for row in found["rows"] if row["name"] == "Offset at the lens")
    assert (lens["value"], lens["known"], lens["good"]) == ("not measured", False, False)


def test_the_log_does_not_call_aligned_what_is_beyond_a_tolerance(
    client: FlaskClient, shared: Shared, do: Any
) -> None:
    do("acknowledge")
    number = shared.sessions["bench"].alignment
    assert number is not None
    shared.log.set_verdict(number, GOOD | {"nozzle_mm": 0.5}, done=True)
    assert '<td class="no">nearly</td>' in client.get("/log").text
    shared.log.set_verdict(number, GOOD, done=True)
    assert '<td class="yes">aligned</td>' in client.get("/log").text
