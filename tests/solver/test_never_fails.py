"""For any readings, the answer is a step with finite numbers, or a refusal that names the field."""

from __future__ import annotations

import json
import os
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from server.solver import answer
from tests.machines import profile

Json = dict[str, Any]
STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
KEYS = {
    "do",
    "station",
    "head_mm",
    "mount",
    "screw",
    "turns",
    "part",
    "move_mm",
    "cause",
    "reason",
    "say",
    "why",
    "parts",
    "tape",
    "hang",
    "below_mm",
    "lens",
    "expect",
}
PARTS = ("tube", "tube-exit", "tube-far", "mirror-1", "mirror-2", "mirror-3")


def check(document: Json) -> Json:
    step = answer(document)
    json.dumps(step, allow_nan=False)
    assert set(step) <= KEYS | {"estimate", "verdict", "forecast"}
    assert step["say"].strip()
    assert step["do"] in ("mark", "turn", "shift", "inspect", "done", "stop")
    assert ("expect" in step) == (step["do"] in ("turn", "shift"))
    assert bool(step["verdict"] and step["verdict"]["aligned"]) == (step["do"] == "done")
    return step


def screws_only(given: Json, count: int) -> Json:
    for mount in given["mount"]:
        for i, contact in enumerate(mount["contact"]):
            contact.pop("screw_pitch_mm", None)
            contact.pop("clockwise", None)
            if i < count:
                contact |= {"screw_pitch_mm": 0.7, "clockwise": 1}
    return given


def resized(given: Json, width: float, depth: float) -> Json:
    given["bed"] = {"width_mm": width, "depth_mm": depth}
    near_1, near_2 = given["path"]["mirror_1_to_2_mm"][0], given["path"]["mirror_2_to_3_mm"][0]
    given["path"]["mirror_1_to_2_mm"] = [near_1, near_1 + depth]
    given["path"]["mirror_2_to_3_mm"] = [near_2, near_2 + width]
    return given


@st.composite
def profiles(draw: st.DrawFn) -> Json:
    given = profile(
        draw(st.sampled_from(["1600", "600"])), draw(st.sampled_from(["back-left", "back-right"]))
    )
    given = screws_only(given, draw(st.integers(0, 3)))
    if draw(st.booleans()):
        given = resized(given, *draw(st.sampled_from([(10.0, 5.0), (5000.0, 3000.0), (300.0, 200.0)])))
    if draw(st.booleans()):
        given["path"]["lens_to_nozzle_tip_mm"] = draw(st.sampled_from([0.0, 63.5, 200.0]))
    if draw(st.booleans()):
        given["beam"]["divergence_mrad"] = 0.0
    if draw(st.booleans()):
        given["tube"] = {"exit_mount_mm": 0.0, "far_mount_mm": 10.0}
    return given


@st.composite
def documents(draw: st.DrawFn) -> Json:
    machine = draw(profiles())
    bed, screws = (
        machine["bed"],
        [(m["mirror"], c["name"]) for m in machine["mount"] for c in m["contact"] if "screw_pitch_mm" in c],
    )
    part = st.floats(0, 1)
    heads = st.tuples(part, part).map(lambda xy: [xy[0] * bed["width_mm"], xy[1] * bed["depth_mm"]])
    station = st.sampled_from(STATIONS)
    number = st.floats(-200, 200)
    mark = st.builds(
        lambda s, h, o, w: {"kind": "mark", "station": s, "head_mm": h, "offset_mm": o, "sigma_mm": w},
        station, heads, st.one_of([st.lists(n, min_size=2, max_size=2) for n in (number, st.floats(-5, 5))]),
        st.sampled_from([1e-6, 0.05, 0.4, 100.0]),
    )  # fmt: skip
    blank = st.builds(lambda s, h: {"kind": "no-mark", "station": s, "head_mm": h}, station, heads)
    move = st.floats(-30, 30)
    shift = st.builds(
        lambda p, y, z: {"kind": "shift", "part": p, "move_mm": [0.0, y, z]},
        st.sampled_from(PARTS),
        move,
        move,
    )
    seen = st.builds(
        lambda c, w: {"kind": "inspected", "cause": c, "outcome": w},
        st.sampled_from(["gantry-racking", "rail-bow", "loose-mount", "dirt"]),
        st.sampled_from(["fixed", "nothing-found", "not-fixed"]),
    )
    kinds = [mark, mark, blank, shift, seen]
    if screws:
        turns = st.floats(-20, 20).filter(lambda t: t != 0)
        kinds.append(
            st.builds(
                lambda s, t: {"kind": "turn", "mount": s[0], "screw": s[1], "turns": t},
                st.sampled_from(screws),
                turns,
            )
        )
    return {"machine": machine, "events": draw(st.lists(st.one_of(kinds), max_size=6))}


EXAMPLES = int(os.environ.get("SPOTWRIGHT_FUZZ", "8"))  # each takes a second or more


@settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(documents())
def test_any_document_gets_a_step(document: Json) -> None:
    check(document)


@pytest.mark.parametrize("corner", ["back-left", "back-right"])
def test_nothing_known_asks_for_the_first_mark(corner: str) -> None:
    step = check({"machine": profile("1600", corner), "events": []})
    assert (step["do"], step["station"], step["verdict"]) == ("mark", "mirror-1", None)


def test_two_marks_at_one_place_5_mm_apart_are_looked_at_again() -> None:
    mark = {"kind": "mark", "station": "mirror-1", "head_mm": [0.0, 1000.0], "sigma_mm": 0.05}
    events = [
        mark | {"offset_mm": [0.0, 0.0]},
        mark | {"offset_mm": [0.0, 0.0]},
        mark | {"offset_mm": [5.0, 0.0]},
    ]
    step = check({"machine": profile("1600"), "events": events})
    assert (step["do"], step["station"]) == ("mark", "mirror-1")
    assert "fit" in step["say"]


@pytest.mark.parametrize("count", [0, 1])
def test_a_mount_without_the_screws_that_it_needs_ends(count: int) -> None:
    machine = screws_only(profile("600"), count)
    head = [0.0, 400.0]
    marks = [
        {"kind": "mark", "station": s, "head_mm": h, "offset_mm": [1.0, 1.0], "sigma_mm": 0.05}
        for s in STATIONS
        for h in (head, [0.0, 0.0], [600.0, 0.0], [600.0, 400.0])
    ]
    check({"machine": machine, "events": marks})


def test_ten_thousand_events_get_an_answer() -> None:
    mark = {
        "kind": "mark",
        "station": "mirror-1",
        "head_mm": [0.0, 1000.0],
        "offset_mm": [0.4, 0.1],
        "sigma_mm": 0.4,
    }
    step = check({"machine": profile("1600"), "events": [mark] * 10_000})
    assert step["do"] == "stop"
    assert "10000" in step["say"].replace(" ", "").replace(",", "")
