"""Nine answers make a profile that the solver takes."""

from __future__ import annotations

import html
import math
from typing import Any

import pytest
from flask.testing import FlaskClient

from server import solver
from server.pages.setup import CORNERS, PITCHES, Answers, doubts, drawing, profile_from, what_matters

GIVEN: dict[str, Any] = {
    "name": "by the window",
    "corner": "back-right",
    "width_mm": "900",
    "depth_mm": "600",
    "tube_to_mirror_1_mm": "140",
    "mirror_1_to_2_mm": "110",
    "mirror_2_to_3_mm": "80",
    "mount": "three-screws",
    "lever_mm": "40",
    "pitch": "M5",
}


def test_the_answers_become_a_profile_that_the_solver_takes() -> None:
    profile = profile_from(Answers.model_validate(GIVEN))
    solver.parse_profile(profile)
    assert profile["path"]["mirror_1_to_2_mm"] == [110, 710]
    assert profile["path"]["mirror_2_to_3_mm"] == [80, 980]
    assert profile["path"]["corner"] == "back-right"
    assert [contact["screw_pitch_mm"] for contact in profile["mount"][1]["contact"]] == [0.8] * 3
    assert solver.answer({"machine": profile, "events": []})["do"] == "mark"


def test_a_mount_with_a_fixed_corner_has_two_screws() -> None:
    profile = profile_from(Answers.model_validate({**GIVEN, "mount": "two-screws"}))
    pitches = [contact.get("screw_pitch_mm") for contact in profile["mount"][0]["contact"]]
    assert pitches == [0.8, 0.8, None]


@pytest.mark.parametrize("lever_mm", [30.0, 40.0])
def test_what_a_sixteenth_of_a_turn_does_is_the_lever_rule(lever_mm: float) -> None:
    # a mirror tilted by δ about the normal of the plane of incidence bends the beam by 2δ, about the in-plane
    # axis at 45° by √2·δ (mirror law); the axis through two corners of the square is one of those two
    profile = profile_from(Answers.model_validate({**GIVEN, "lever_mm": lever_mm}))
    (near, far) = profile["path"]["mirror_1_to_2_mm"]
    tilt = PITCHES["M5"] / 16 / lever_mm
    said = next(line for line in what_matters(profile) if "mirror 1 moves" in line)
    moved_mm = float(said.split(" by ")[1].split(" mm")[0])
    assert math.sqrt(2) * tilt * far - 0.1 <= moved_mm <= 2 * tilt * far + 0.1
    assert near < far


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"width_mm": "-5"}, "The bed's width must be more than 0."),
        ({"width_mm": "wide"}, "The bed's width must be a number."),
        ({"depth_mm": "19950"}, "The bed's depth must be at most 15\u202f000 mm."),
        ({"width_mm": "36", "depth_mm": "600", "units": "inch"}, "The bed's depth must be at most 590.6 in."),
        ({"lever_mm": "6000"}, "Between two screws must be at most 5\u202f000 mm."),
        ({"name": ""}, "The name must not be empty."),
        ({"corner": "middle"}, "corner: must be 'back-left' or 'back-right'"),
    ],
)
def test_a_wrong_answer_is_said_and_the_others_are_kept(
    client: FlaskClient, changes: dict[str, str], said: str
) -> None:
    answer = client.post("/laser/new", data={**GIVEN, **changes})
    assert answer.status_code == 422
    assert html.unescape(answer.text.split('role="alert">')[1].split("<")[0]) == said
    assert 'value="140"' in answer.text


def test_the_new_laser_is_current(client: FlaskClient) -> None:
    assert client.get("/laser/new").status_code == 200
    assert client.post("/laser/new", data=GIVEN | {"pressed": "keep"}).status_code == 303
    assert "Laser: by the window" in client.get("/laser").text
    assert client.get("/api/state?of=offline").get_json()["laser"] == "by the window"


def test_a_comma_is_a_decimal_point_too() -> None:
    given = {**GIVEN, "width_mm": "1300,5", "depth_mm": " 900.25 "}
    answers = Answers.model_validate(given)
    assert (answers.width_mm, answers.depth_mm) == (1300.5, 900.25)
    with pytest.raises(ValueError):
        Answers.model_validate({**given, "width_mm": "1,300,500"})


def test_the_answers_are_drawn_before_anything_is_kept(client: FlaskClient) -> None:
    before = client.get("/laser").text
    shown = client.post("/laser/new", data=GIVEN)
    assert shown.status_code == 200
    for words in ("Is this by the window?", "900 mm wide", "600 mm deep", "140 mm", "Yes, keep it"):
        assert words in shown.text
    assert client.get("/laser").text == before
    again = client.post("/laser/new", data=GIVEN | {"pressed": "change"})
    assert 'value="140"' in again.text and "Draw it, to check" in again.text


@pytest.mark.parametrize(
    ("field", "value", "asked"),
    [
        ("width_mm", "13005", "The bed's width is 13\u202f005 mm? Usual are 200 mm to 3\u202f000 mm."),
        ("depth_mm", "90", "The bed's depth is 90 mm? Usual are 200 mm to 2\u202f500 mm."),
        ("lever_mm", "360", "Between two screws is 360 mm? Usual are 15 mm to 90 mm."),
        ("focal_mm", "2.5", "The focal length of the lens is 2.5 mm? Usual are 25 mm to 160 mm."),
    ],
)
def test_what_is_out_of_the_ordinary_is_asked_back(
    client: FlaskClient, field: str, value: str, asked: str
) -> None:
    assert doubts(Answers.model_validate(GIVEN)) == []
    assert doubts(Answers.model_validate(GIVEN | {field: value})) == [asked]
    shown = client.post("/laser/new", data=GIVEN | {field: value})
    assert "those lengths are right" in shown.text
    assert client.post("/laser/new", data=GIVEN | {field: value, "pressed": "keep"}).status_code == 303


def test_inches_are_asked_for_and_taken_where_the_device_reads_inches(client: FlaskClient) -> None:
    client.post("/api/device", json={"units": "inch"})
    form = client.get("/laser/new").text
    assert "left to right, inches" in form and 'name="units" value="inch"' in form
    lengths = {
        "width_mm": "51,2",
        "depth_mm": "35.4",
        "tube_to_mirror_1_mm": "5.9",
        "mirror_1_to_2_mm": "4.5",
    }
    lengths |= {"mirror_2_to_3_mm": "3.5", "lever_mm": "1.42", "focal_mm": "2.5", "units": "inch"}
    answers = Answers.model_validate(GIVEN | lengths)
    assert doubts(answers) == []
    profile = profile_from(answers)
    assert profile["bed"]["width_mm"] == pytest.approx(51.2 * 25.4, abs=0.001)
    assert profile["path"]["lens_focal_mm"] == 63.5
    assert drawing(answers)["words"][0][2] == "51.2 in wide"
    assert client.post("/laser/new", data=GIVEN | lengths | {"pressed": "keep"}).status_code == 303
    assert "Bed 51.200 in × 35.400 in" in client.get("/laser").text


@pytest.mark.parametrize("corner", CORNERS)
def test_the_screws_stand_beside_the_fixed_corner_of_each_mount(corner: str) -> None:
    profile = profile_from(Answers.model_validate(GIVEN | {"fixed_2": corner, "mount": "two-screws"}))
    solver.parse_profile(profile)
    fixed = next(c["at_mm"] for c in profile["mount"][1]["contact"] if "screw_pitch_mm" not in c)
    screws = [c["at_mm"] for c in profile["mount"][1]["contact"] if "screw_pitch_mm" in c]
    right, up = CORNERS[corner]
    assert fixed == [right * 20, up * 20]
    assert sorted(screws) == sorted([[right * 20, -up * 20], [-right * 20, up * 20]])
    assert profile["mount"][0]["contact"][2]["at_mm"] == [-20, -20]
