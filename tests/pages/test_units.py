"""Lengths in inches, for those who use them; the data stay in millimetres."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from server.pages import units
from server.pages.units import in_inches


@pytest.mark.parametrize(
    ("mm", "inch"),
    [
        ("up 25.4 mm", "up 1.000 in"),
        ("The mark is 2.54 mm right, 0.0 mm up.", "The mark is 0.100 in right, 0.000 in up."),
        ("Mark at mirror 2: +12.70 right, -2.54 up (mm)", "Mark at mirror 2: +0.500 right, -0.100 up (in)"),
        ("3/16 turn clockwise", "3/16 turn clockwise"),
        ("0.76 ± 0.25 mm", "0.030 ± 0.010 in"),
        ("mirror 1", "mirror 1"),
        ("X 320, Y 0", "X 320, Y 0"),
    ],
)
def test_words(mm: str, inch: str) -> None:
    assert in_inches(mm) == inch


def test_numbers_for_drawings_and_buttons_stay() -> None:
    state = {"big": [{"value": "2.54", "unit": "mm"}], "primary": {"body": {"move_mm": [0, 0, 25.4]}}}
    assert in_inches(state) == {
        "big": [{"value": "0.100", "unit": "in"}],
        "primary": {"body": {"move_mm": [0, 0, 25.4]}},
    }


def test_the_device_remembers_its_units(client: FlaskClient, do: Any) -> None:
    answer = client.post("/api/device", json={"units": "inch"})
    assert "HttpOnly" in answer.headers["Set-Cookie"]
    do("acknowledge")
    do("hang", {"station": "mirror-1", "head_mm": [0, 1000]})
    state = do("pulse").get_json()
    assert state["said"] == "Saved: the mark lies 0.059 in right and 0.020 in below the centre"
    stream = client.get("/api/events?tab=a")
    parts = iter(stream.response)
    next(parts)
    assert b"0.059 in right" in next(parts)
    stream.close()
    client.post("/api/device", json={"units": "mm"})
    assert "1.5 mm right" in client.get("/api/state").get_json()["said"]
    assert client.post("/api/device", json={"units": "cubits"}).status_code == 422


def test_typed_offsets_are_good_to_inches_where_the_device_reads_inches(client: FlaskClient) -> None:
    assert "0.5 mm (ruler)" in client.get("/offline").text
    client.post("/api/device", json={"units": "inch"})
    assert "0.02 in (ruler)" in client.get("/offline").text


def test_one_script_knows_how_long_an_inch_is_and_no_template() -> None:
    pages = Path(units.__file__).parent
    files = [*pages.glob("static/*.js"), *pages.glob("templates/*.html")]
    assert [path.name for path in files if "25.4" in path.read_text("utf-8")] == ["make.js"]
    assert f'(units === "inch" ? {units.MM_PER_INCH} : 1)' in (pages / "static/make.js").read_text("utf-8")
