"""What cannot be read is refused in one line that names the field."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from server.solver import DocumentError, answer, parse_alignment, parse_profile, profile_as_json
from server.solver.estimate.belief import believe
from server.solver.events import MarkSeen
from tests.machines import profile

Json = dict[str, Any]
MARK = {"kind": "mark", "station": "mirror-2", "head_mm": [0, 0], "offset_mm": [1.0, 2.0], "sigma_mm": 0.1}
TURN = {"kind": "turn", "mount": 1, "screw": "top", "turns": 0.25}


def put(*path: Any, value: Any) -> Callable[[Json], None]:
    def change(document: Json) -> None:
        place: Any = document
        for part in path[:-1]:
            place = place[part]
        place[path[-1]] = value

    return change


def on_a_line(document: Json) -> None:
    for i, contact in enumerate(document["machine"]["mount"][1]["contact"]):
        contact["at_mm"] = [float(i), 2.0 * i]


FAULTS: list[tuple[Callable[[Json], None], str, str]] = [
    (put("surprise", value=1), "surprise", "unknown key"),
    (put("machine", "bed", "height_mm", value=1.0), "machine.bed.height_mm", "unknown key"),
    (put("machine", "bed", "width_mm", value=-5.0), "machine.bed.width_mm", "greater than 0"),
    (put("machine", "bed", "width_mm", value=float("nan")), "machine.bed.width_mm", "finite"),
    (put("machine", "bed", "width_mm", value="wide"), "machine.bed.width_mm", "number"),
    (put("machine", "path", "corner", value="front"), "machine.path.corner", "back-left"),
    (
        put("machine", "path", "mirror_1_to_2_mm", value=[120.0, 900.0]),
        "machine.path.mirror_1_to_2_mm",
        "far",
    ),
    (put("machine", "path", "mirror_2_to_3_mm", value=[90.0]), "machine.path.mirror_2_to_3_mm", "2 items"),
    (put("machine", "beam", "divergence_mrad", value=0.5), "machine.beam.divergence_mrad", "diffraction"),
    (put("machine", "tube", "far_mount_mm", value=205.0), "machine.tube.far_mount_mm", "farther"),
    (put("machine", "mount", value=[]), "machine.mount", "three mounts"),
    (put("machine", "mount", 0, "mirror", value=2), "machine.mount", "three mounts"),
    (on_a_line, "machine.mount.1.contact", "line"),
    (
        put("machine", "mount", 0, "contact", 0, "name", value="side"),
        "machine.mount.0.contact",
        "different names",
    ),
    (
        put("machine", "mount", 0, "contact", 2, "clockwise", value=1),
        "machine.mount.0.contact.2.clockwise",
        "pivot",
    ),
    (put("machine", "aperture", "nozzle_mm", value=0.0), "machine.aperture.nozzle_mm", "greater than 0"),
    (put("machine", "tolerance", "lens_mm", value=0.0), "machine.tolerance.lens_mm", "greater than 0"),
    (put("machine", value=5), "machine", "must be an object"),
    (put("machine", "bed", value=None), "machine.bed", "must be an object"),
    (put("machine", "mount", value=[1, 2, 3]), "machine.mount.0", "must be an object"),
    (put("events", value={}), "events", "list"),
    (put("events", 0, value=5), "events.0", "must be an object"),
    (put("events", 0, value={}), "events.0", "no kind; kinds: difference, inspected, mark"),
    (put("events", 0, "kind", value="dance"), "events.0", "dance"),
    (put("events", 0, "station", value="mirror-9"), "events.0.station", "mirror-1"),
    (put("events", 0, "head_mm", value=[1700.0, 0.0]), "events.0.head_mm.0", "outside the bed"),
    (put("events", 0, "head_mm", value=[0.0, -1.0]), "events.0.head_mm.1", "outside the bed"),
    (put("events", 0, "offset_mm", value=[1.0]), "events.0.offset_mm", "2 items"),
    (put("events", 0, "sigma_mm", value=0.0), "events.0.sigma_mm", "greater than 0"),
    (put("events", 0, "sigma_mm", value=[0.1, -1.0]), "events.0.sigma_mm", ""),
    (put("events", 1, "turns", value=40.0), "events.1.turns", "at most 20"),
    (put("events", 1, "turns", value=0.0), "events.1.turns", "more than 0"),
    (put("events", 1, "screw", value="corner"), "events.1.screw", "its screws: top, side"),
    (put("events", 1, "mount", value=4), "events.1.mount", "less than or equal to 3"),
    (put("events", 2, "move_mm", value=[0.0, 50.0, 50.0]), "events.2.move_mm", "at most 60"),
    (put("events", 2, "move_mm", value=[1.0, 0.0, 0.0]), "events.2.move_mm", "Y and Z only"),
    (put("events", 3, "outcome", value="maybe"), "events.3.outcome", "fixed"),
]


def document() -> Json:
    shift = {"kind": "shift", "part": "tube-far", "move_mm": [0.0, 1.0, 0.0]}
    inspected = {"kind": "inspected", "cause": "rail-bow", "outcome": "fixed"}
    return copy.deepcopy({"machine": profile("1600"), "events": [MARK, TURN, shift, inspected]})


@pytest.mark.parametrize(("spoil", "path", "words"), FAULTS, ids=[f"{f[1]}: {f[2]}" for f in FAULTS])
def test_a_fault_is_named_with_its_place(spoil: Callable[[Json], None], path: str, words: str) -> None:
    given = document()
    spoil(given)
    with pytest.raises(DocumentError) as refused:
        answer(given)
    assert refused.value.path.startswith(path)
    assert words in refused.value.message
    assert "\n" not in str(refused.value)
    assert "instance" not in refused.value.message


def test_a_tube_may_be_slid_along_itself() -> None:
    given = document()
    given["events"].insert(1, {"kind": "shift", "part": "tube", "move_mm": [4.0, 0.0, 0.0]})
    slid, left = (believe(parse_alignment(each)) for each in (given, document()))
    assert slid.mean[slid.best] == pytest.approx(left.mean[left.best])
    assert slid.mean[slid.best] != pytest.approx(0.0)


@pytest.mark.parametrize("given", [None, [], "text", 3, {}, {"events": []}, {"machine": {}, "events": []}])
def test_what_is_no_document_is_refused(given: Any) -> None:
    with pytest.raises(DocumentError):
        answer(given)


def test_events_keep_their_order_and_values() -> None:
    events = parse_alignment(document()).events
    assert [type(e).__name__ for e in events] == ["MarkSeen", "Turn", "Shift", "Inspected"]
    assert isinstance(events[0], MarkSeen)
    assert events[0].offset_mm == (1.0, 2.0)
    assert events[0].sigma_mm == (0.1, 0.1)


@pytest.mark.parametrize("name", ["1600", "600"])
@pytest.mark.parametrize("corner", ["back-left", "back-right"])
def test_a_profile_survives_the_way_out_and_back(name: str, corner: str) -> None:
    once = parse_profile(profile(name, corner))
    assert parse_profile(profile_as_json(once)) == once


def test_a_profile_s_fault_is_named_inside_the_profile() -> None:
    given = profile("1600")
    given["bed"]["depth_mm"] = -1.0
    with pytest.raises(DocumentError) as refused:
        parse_profile(given)
    assert refused.value.path == "bed.depth_mm"
