"""Test cuts and reminders as a person enters and sees them."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from server.log import entries
from server.pages.lists import reminder_words
from server.pages.shared import Shared

Json = dict[str, Any]
CUT = {
    "stage": "after",
    "place": "far",
    "material": "birch <b>plywood</b>",
    "thickness_mm": "4",
    "speed_mm_s": "12.5",
    "power_percent": "60",
    "through": "false",
    "note": "",
}
REMINDER = {"laser": "practice 1600", "what": "clean mirrors", "every_days": "30", "every_hours": ""}


@pytest.fixture
def alignment(shared: Shared, do: Any) -> int:
    do("acknowledge")
    number = shared.sessions["bench"].alignment
    assert number is not None
    return number


def cut(client: FlaskClient, number: int, **changes: Any) -> Any:
    return client.post(f"/log/{number}/cut", data=CUT | changes)


def test_a_cut_with_its_photo_is_on_the_page_and_in_the_report(client: FlaskClient, alignment: int) -> None:
    answer = cut(client, alignment, photo=(io.BytesIO(b"picture of a cut"), "cut.jpg"))
    assert (answer.status_code, answer.location) == (303, f"/log/{alignment}#cuts")
    cut(client, alignment, stage="before", place="near", through="true")
    for page in (f"/log/{alignment}", f"/log/{alignment}/report"):
        text = client.get(page).text
        assert "birch &lt;b&gt;plywood&lt;/b&gt;, 4 mm" in text
        assert text.index("before, near corner") < text.index("after, far corner")
        assert "12.5 mm/s, 60 %" in text
    assert client.get("/log/entry/1/picture").data == b"picture of a cut"
    assert client.get("/log/entry/2/picture").status_code == 404
    assert "birch" in client.get("/log/spotwright-upkeep.csv").text


def test_a_withdrawn_cut_is_gone_from_the_page(client: FlaskClient, alignment: int) -> None:
    cut(client, alignment)
    answer = client.post("/log/entry/1/withdraw")
    assert (answer.status_code, answer.location) == (303, f"/log/{alignment}#cuts")
    assert "after, far corner" not in client.get(f"/log/{alignment}").text
    assert client.post("/log/entry/9/withdraw").status_code == 404


def test_a_cut_is_entered_and_shown_in_inches_where_lengths_are_read_so(
    client: FlaskClient, shared: Shared, alignment: int
) -> None:
    client.set_cookie("spotwright_units", "inch")
    cut(client, alignment, units="inch", thickness_mm="0,125", speed_mm_s="0.5")
    (row,) = entries(shared.log)
    assert (row["thickness_mm"], row["speed_mm_s"]) == (pytest.approx(3.175), pytest.approx(12.7))
    text = client.get(f"/log/{alignment}").text
    assert "plywood&lt;/b&gt;, 0.125 in" in text and "0.500 in/s, 60 %" in text
    assert "Thickness, inches" in text and 'value="0.125"' in text and "Speed, inches/s" in text


def test_a_comma_is_a_decimal_point(client: FlaskClient, shared: Shared, alignment: int) -> None:
    cut(client, alignment, thickness_mm="3,5")
    assert entries(shared.log)[0]["thickness_mm"] == 3.5


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"material": " "}, 422),
        ({"thickness_mm": "thick", "units": "inch"}, 422),
        ({"thickness_mm": "thick"}, 422),
        ({"power_percent": "nan"}, 422),
        ({"through": "perhaps"}, 422),
        ({"extra": "1"}, 422),
        ({"photo": (io.BytesIO(b"no such thing"), "cut.jpg")}, 400),
    ],
)
def test_what_is_no_cut_is_refused_in_one_line(
    client: FlaskClient, shared: Shared, alignment: int, changes: Json, status: int
) -> None:
    answer = cut(client, alignment, **changes)
    assert answer.status_code == status
    assert 'role="alert"' in answer.text
    assert entries(shared.log) == []
    assert cut(client, 99).status_code == 404


def test_a_photo_of_a_cut_may_be_so_large_and_no_larger(
    client: FlaskClient, shared: Shared, alignment: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = b"picture of a cut"
    for limit, status in ((len(photo) - 1, 413), (len(photo), 303)):
        monkeypatch.setattr("server.pages.upkeep.PHOTO_LIMIT", limit)
        assert cut(client, alignment, photo=(io.BytesIO(photo), "cut.jpg")).status_code == status
    assert len(entries(shared.log)) == 1


def test_a_reminder_that_is_due_is_said_on_every_page_until_it_is_done(
    client: FlaskClient, shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert client.post("/log/reminder", data=REMINDER).status_code == 303
    assert "in 30 days" in client.get("/log").text
    assert "due-tag" not in client.get("/").text

    later = datetime.now(UTC) + timedelta(days=33)
    monkeypatch.setattr(shared.log, "_now", lambda: later)
    for page in ("/", "/checks", "/log", "/nothing"):
        assert "1 due" in client.get(page).text
    assert "due, 3 days over" in client.get("/log").text

    asked = entries(shared.log, "reminder")[0]["uuid"]
    client.post("/log/upkeep", data={"laser": "practice 1600", "what": "clean mirrors", "reminder": asked})
    assert "due-tag" not in client.get("/").text
    assert "in 30 days" in client.get("/log").text


def test_what_was_changed_stands_between_the_alignments_in_the_chart(
    client: FlaskClient, alignment: int
) -> None:
    done = {"laser": "practice 1600", "what": "tube $x_1 <changed>", "note": "new", "hours": "1200"}
    assert client.post("/log/upkeep", data=done).status_code == 303
    assert "at 1200 h" in client.get("/log").text
    assert client.get("/log/drift.svg?practice=1").status_code == 200


@pytest.mark.parametrize(
    ("days", "hours", "due", "words"),
    [
        (12.2, None, False, "in 12 days"),
        (0.4, None, False, "in 1 day"),
        (12.2, 40.0, False, "in 12 days or 40 hours run"),
        (-0.2, None, True, "due"),
        (-3.0, 7.0, True, "due, 3 days over"),
        (5.0, -1.0, True, "due, 1 hour over"),
    ],
)
def test_what_is_left_is_said_in_words(
    days: float | None, hours: float | None, due: bool, words: str
) -> None:
    assert reminder_words({"days_left": days, "hours_left": hours, "due": due}) == words
