"""What a cut will be like, in words: by hand, and on the page of an alignment of the practice laser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from server.pages import Config, create_app
from server.pages.forecast_words import forecast_rows
from server.practice import default_profile
from server.solver import Forecast, Step
from server.solver.steps import CutThere, Known
from tests.browser.played import play_blind

BED = default_profile().bed
CUT = CutThere(Known(0.93, 0.02), Known(0.25, 0.03), Known(0.52, 0.0), Known(0.113, 0.0))
THERE = Forecast((0.0, BED.depth_mm), CUT, CUT, replace(CUT, power=Known(0.97, 0.01)))


def row(place: Forecast, do: str = "turn") -> dict[str, object]:
    return forecast_rows(Step(do, forecast=(place,)), BED)[0]


def test_each_number_is_said_as_it_is_now_as_found_and_after_the_step() -> None:
    said = row(THERE)
    assert said["name"] == "back left"
    assert said["power"] == ["93 %", "found 93 %, after the next step 97 %"]
    assert said["lean"] == ["0.25 ± 0.06 mm", "found 0.25 ± 0.06 mm, after the next step 0.25 ± 0.06 mm"]
    assert (said["leans"], said["focus"], said["spot"]) == (True, "0.5 mm lower", "0.11 mm")


def test_what_is_not_known_or_does_not_change_is_not_said() -> None:
    assert row(replace(THERE, found=None), do="mark")["power"] == ["93 %", ""]
    assert row(THERE, do="mark")["power"] == ["93 %", "found 93 %"]
    assert forecast_rows(Step("mark"), BED) == []


@pytest.mark.parametrize(
    ("below_mm", "words"), [(0.04, "as at the centre"), (-0.3, "0.3 mm higher"), (0.3, "0.3 mm lower")]
)
def test_the_focus_is_said_against_the_centre(below_mm: float, words: str) -> None:
    cut = replace(CUT, focus_mm=Known(below_mm, 0.0), lean_mm=Known(0.19, 0.0))
    said = row(replace(THERE, now=cut))
    assert (said["focus"], said["leans"]) == (words, False)


def test_the_bed_page_shows_it_once_every_station_has_a_mark(tmp_path: Path) -> None:
    play_blind(tmp_path, 1, until="done")
    app = create_app(Config(data=tmp_path))
    text = app.test_client().get("/bed").text
    assert "What a cut will be like there" in text and "as at the centre" in text and "found " in text
