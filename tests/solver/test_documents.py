"""What cannot be read is refused in one line that names the field."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from server.solver import DocumentError, answer, parse_alignment, parse_profile, profile_as_json
from server.solver.estimate.belief import believe
from server.solver.events import Difference, Inspected, MarkSeen, NoMark, Shift, Turn
from server.solver.machine.profile import (
    Aperture,
    Beam,
    Bed,
    Card,
    Contact,
    Mount,
    Path,
    Profile,
    Tolerance,
    Tube,
    screw_step,
)
from server.solver.shapes import Shape
from server.solver.steps import CutThere, Estimate, Expect, Forecast, Known, Parts, Step, Verdict
from tests.machines import profile

Json = dict[str, Any]
MARK = {"kind": "mark", "station": "mirror-2", "head_mm": [0, 0], "offset_mm": [1.0, 2.0], "sigma_mm": 0.1}
NO_MARK = {"kind": "no-mark", "station": "below", "head_mm": [0, 0], "below_mm": 90.0, "lens": "out"}
DIFFERENCE = {
    "kind": "difference",
    "station": "mirror-2",
    "from_head_mm": [0, 0],
    "head_mm": [0, 0],
    "offset_mm": [0, 0],
}
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


def places(value: Any, *path: Any) -> Iterator[tuple[tuple[Any, ...], Any]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    if not isinstance(value, dict | list):
        yield path, value
    for key, item in inner:
        yield from places(item, *path, key)


def test_nothing_is_turned_into_another_type() -> None:
    """A number in quotes, an integer for true, bytes for text: each is refused, in every field."""
    full = document()
    full["machine"] |= {"lens": {"comes_out": True}, "card": {"before_mount_mm": {"nozzle": 2.0}}}
    full["machine"]["mount"][0] |= {"turns_from": -2.0, "turns_to": 2.0, "base": "free"}
    full["events"] += [MARK | {"hanging": 3, "sigma_mm": [0.1, 0.2]}, NO_MARK, DIFFERENCE]
    found = list(places(full))
    assert len(found) > 100
    for path, value in found:
        given = copy.deepcopy(full)
        other = 1 if value is True else value.encode() if isinstance(value, str) else str(value)
        put(*path, value=other)(given)
        with pytest.raises(DocumentError) as refused:
            parse_alignment(given)
        assert ".".join(map(str, path)).startswith(refused.value.path)


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


HEAD = [0.0, 0.0]
SEEN: Json = {
    "kind": "mark",
    "station": "mirror-2",
    "head_mm": HEAD,
    "offset_mm": [0.0, 0.0],
    "sigma_mm": 0.1,
}
BELOW: Json = SEEN | {"station": "below", "below_mm": 145.0}
CONTACT: Json = {"name": "top", "at_mm": [0.0, 0.0], "screw_pitch_mm": 0.5}
SCREW_TURN: Json = {"kind": "turn", "mount": 1, "screw": "top", "turns": 1.0}
MOVE: Json = {"kind": "shift", "part": "mirror-1", "move_mm": [0.0, 0.0, 1.0]}
THREE: Json = {
    "mirror": 1,
    "contact": [
        {"name": name, "at_mm": at}
        for name, at in (("a", [0.0, 0.0]), ("b", [50.0, 0.0]), ("c", [0.0, 50.0]))
    ],
}
BEAM: Json = {"wavelength_um": 10.6, "diameter_mm": 200.0, "divergence_mrad": 1.0}
LEAST = 1e-9
# Values that are stored in another form: (field, value in the document) -> value stored.
KEPT: dict[tuple[str, str], Any] = {
    ("clockwise", "None"): 1,
    ("below_mm", "None"): 0.0,
    ("sigma_mm", "1e-09"): (LEAST, LEAST),
    ("sigma_mm", "100.0"): (100.0, 100.0),
    ("before_mount_mm", "-200.0"): (-200.0,) * 4,
    ("before_mount_mm", "200.0"): (200.0,) * 4,
    ("before_mount_mm", "{'nozzle': 200.0}"): (0.0, 0.0, 0.0, 200.0),
}


def read(shape: type[Shape], told: Json) -> Any:
    return TypeAdapter(shape).validate_python(told)


def frozen(told: Any) -> Any:
    return tuple(told) if isinstance(told, list) else told


WHOLE = profile("1600")
LENGTH: tuple[list[Any], list[Any]] = ([LEAST, 20_000.0], [0.0, -1.0, 20_000.5, None, "1"])
TWO: tuple[list[Any], list[Any]] = ([[LEAST, 20_000.0]], [[1.0], [1.0] * 3, [0.0, 1.0], [1.0, 20_000.5], 1.0])

LIMITS: list[tuple[type[Shape], Json, str, list[Any], list[Any]]] = [
    (Path, WHOLE["path"], "mirror_1_to_2_mm", *TWO),
    (Path, WHOLE["path"], "mirror_2_to_3_mm", *TWO),
    (Path, WHOLE["path"], "tube_to_mirror_1_mm", *LENGTH),
    (Path, WHOLE["path"], "mirror_3_to_lens_mm", *LENGTH),
    (Path, WHOLE["path"], "lens_focal_mm", *LENGTH),
    (Path, WHOLE["path"], "lens_to_nozzle_tip_mm", [0.0, 20_000.0], [-0.5, 20_000.5]),
    (Aperture, WHOLE["aperture"], "nozzle_mm", *LENGTH),
    (Tolerance, {}, "lens_mm", *LENGTH),
    (Profile, WHOLE, "name", ["n", "n" * 200], ["", "n" * 201]),
    (Bed, {"width_mm": 1.0, "depth_mm": 1.0}, "width_mm", [LEAST, 20_000.0], [0.0, 20_000.5]),
    (Bed, {"width_mm": 1.0, "depth_mm": 1.0}, "depth_mm", [LEAST, 20_000.0], [0.0, 20_000.5]),
    (Beam, BEAM, "wavelength_um", [LEAST, 150.0], [0.0, 1000.5]),
    (Beam, BEAM, "diameter_mm", [200.0], [0.0, 200.5]),
    (Beam, BEAM, "divergence_mrad", [0.0, 200.0], [-0.1, 200.5]),
    (
        Tube,
        {"exit_mount_mm": 0.0, "far_mount_mm": 20_000.0},
        "exit_mount_mm",
        [0.0, 19_990.0],
        [-0.5, 19_990.5],
    ),
    (
        Tube,
        {"exit_mount_mm": 0.0, "far_mount_mm": 1.0},
        "far_mount_mm",
        [10.0, 20_000.0],
        [9.9, 20_000.5],
    ),
    (Contact, CONTACT, "screw_pitch_mm", [LEAST, 10.0, None], [0.0, 10.5]),
    (Contact, CONTACT, "clockwise", [1, -1, None], [0, 2, -2]),
    (Contact, CONTACT, "name", ["a", "a" * 60], ["", "a" * 61]),
    (
        Contact,
        CONTACT,
        "at_mm",
        [[20_000.0, -20_000.0]],
        [[20_000.5, 0.0], [0.0, -20_000.5], [0.0], [0.0] * 3],
    ),
    (
        Card,
        {},
        "before_mount_mm",
        [-200.0, 200.0, {"nozzle": 200.0}],
        [-200.5, 200.5, {"nozzle": 200.5}],
    ),
    (Mount, THREE, "mirror", [1, 3], [0, 4]),
    (Mount, THREE, "turns_from", [-50.0, 0.0], [-50.5, 0.5]),
    (Mount, THREE, "turns_to", [50.0, 0.0], [50.5, -0.5]),
    (MarkSeen, SEEN, "offset_mm", [[-200.0, 200.0]], [[-200.5, 0.0], [0.0, 200.5], [0.0], [0.0] * 3]),
    (
        MarkSeen,
        SEEN,
        "sigma_mm",
        [LEAST, 100.0, [100.0, LEAST]],
        [0.0, 100.5, [0.1], [0.1, 0.0], [0.1] * 3],
    ),
    (MarkSeen, SEEN, "hanging", [0, None], [-1]),
    (MarkSeen, SEEN, "below_mm", [None], [145.0]),
    (MarkSeen, SEEN, "lens", [None], ["out", "in"]),
    (MarkSeen, BELOW, "below_mm", [LEAST, 2000.0], [0.0, 2000.5, None]),
    (MarkSeen, BELOW, "lens", [None, "out"], ["in"]),
    (Turn, SCREW_TURN, "turns", [LEAST, -LEAST, 20.0, -20.0], [0.0, 20.5, -20.5]),
    (Turn, SCREW_TURN, "mount", [1, 3], [0, 4]),
    (
        Shift,
        MOVE,
        "move_mm",
        [[36.0, 48.0, 0.0], [0.0, 0.0, -60.0]],
        [[36.0, 48.0, 1.0], [0.0, 0.0, 60.1], [0.0] * 2],
    ),
    (
        Shift,
        MOVE | {"part": "tube-exit"},
        "move_mm",
        [[0.0, 1.0, 1.0]],
        [[0.1, 1.0, 1.0], [-0.1, 0.0, 0.0]],
    ),
    (Shift, MOVE | {"part": "tube-far"}, "move_mm", [[0.0, 1.0, 1.0]], [[0.1, 1.0, 1.0]]),
    (Inspected, {"kind": "inspected", "outcome": "fixed"}, "cause", ["a", "a" * 100], ["", "a" * 101]),
]


@pytest.mark.parametrize(
    ("shape", "base", "field", "taken", "refused"),
    LIMITS,
    ids=[f"{e[0].__name__} {e[2]} {n}" for n, e in enumerate(LIMITS)],
)
def test_what_is_just_possible_is_taken_and_no_more(
    shape: type[Shape], base: Json, field: str, taken: list[Any], refused: list[Any]
) -> None:
    for value in taken:
        kept = KEPT.get((field, repr(value)), frozen(value))
        assert getattr(read(shape, base | {field: value}), field) == kept
    for value in refused:
        with pytest.raises(ValidationError):
            read(shape, base | {field: value})


def test_a_beam_spreads_no_less_than_diffraction_makes_it() -> None:
    """4λ/(πD): 10.6 µm and 7 mm give 1.928 mrad (Siegman, Lasers, ch. 17)."""
    beam = {"wavelength_um": 10.6, "diameter_mm": 7.0}
    for mrad in (0.0, 1.929, 3.0):
        read(Beam, beam | {"divergence_mrad": mrad})
    for mrad in (0.001, 1.927):
        with pytest.raises(ValidationError):
            read(Beam, beam | {"divergence_mrad": mrad})


@pytest.mark.parametrize(
    ("third", "taken"),
    [
        ([25.0, 50.0], True),
        ([25.0, 1.1], True),
        ([25.0, 1.0], True),
        ([25.0, 0.9], False),
        ([25.0, -1.1], True),
        ([50.0, 0.0], False),
    ],
)
def test_three_points_make_a_plane_if_they_are_far_enough_from_a_line(
    third: list[float], taken: bool
) -> None:
    """Limit: twice the triangle's area is a fiftieth of the longest side's square, 50 mm² of 2500 mm²."""
    mount = {**THREE, "contact": [*THREE["contact"][:2], {"name": "c", "at_mm": third}]}
    if taken:
        read(Mount, mount)
    else:
        with pytest.raises(ValidationError):
            read(Mount, mount)


def test_two_or_four_points_and_equal_names_make_no_mount() -> None:
    points = THREE["contact"]
    for contact in (
        points[:2],
        [*points, {"name": "d", "at_mm": [9.0, 9.0]}],
        [*points[:2], points[2] | {"name": "a"}],
    ):
        with pytest.raises(ValidationError):
            read(Mount, THREE | {"contact": contact})


@pytest.mark.parametrize(
    ("side", "height", "taken"),
    [(200.0, 4.1, True), (200.0, 3.9, False), (5.0, 0.21, True), (5.0, 0.19, False)],
)
def test_the_line_is_as_wide_as_its_longest_side_makes_it_and_a_square_millimetre_at_least(
    side: float, height: float, taken: bool
) -> None:
    corners = ([0.0, 0.0], [side, 0.0], [side / 2, height])
    mount = THREE | {"contact": [{"name": f"{i}", "at_mm": at} for i, at in enumerate(corners)]}
    if taken:
        read(Mount, mount)
    else:
        with pytest.raises(ValidationError):
            read(Mount, mount)


@pytest.mark.parametrize("off", [1.1e-6, -1.1e-6, 0.9e-6, -0.9e-6])
@pytest.mark.parametrize(
    ("leg", "size"), [("mirror_1_to_2_mm", "depth_mm"), ("mirror_2_to_3_mm", "width_mm")]
)
def test_the_legs_fit_the_bed_to_a_millionth(leg: str, size: str, off: float) -> None:
    given = profile("1600")
    given["path"][leg][1] = given["path"][leg][0] + given["bed"][size] * (1 + off)
    if abs(off) < 1e-6:
        parse_profile(given)
    else:
        with pytest.raises(DocumentError) as refused:
            parse_profile(given)
        assert refused.value.path == f"path.{leg}"


def test_without_sigma_a_mark_is_one_by_eye_and_two_on_one_tape_are_told_better() -> None:
    mark = read(MarkSeen, {key: value for key, value in SEEN.items() if key != "sigma_mm"})
    both = {
        "kind": "difference",
        "station": "mirror-2",
        "from_head_mm": HEAD,
        "head_mm": HEAD,
        "offset_mm": [0.0, 0.0],
    }
    assert (mark.sigma_mm, read(Difference, both).sigma_mm) == ((0.4, 0.4), (0.15, 0.15))


def test_each_kind_of_event_becomes_what_it_says() -> None:
    given = document()
    given["events"] = [
        SEEN | {"hanging": 3},
        BELOW,
        {"kind": "no-mark", "station": "nozzle", "head_mm": [1.0, 2.0]},
        {"kind": "no-mark", "station": "below", "head_mm": [1.0, 2.0], "below_mm": 90.0, "hanging": 0},
        {
            "kind": "difference",
            "station": "mirror-3",
            "from_head_mm": [3.0, 4.0],
            "head_mm": [1.0, 2.0],
            "offset_mm": [0.1, 0.2],
            "sigma_mm": [0.3, 0.4],
        },
        TURN,
        {"kind": "shift", "part": "tube", "move_mm": [0.0, 1.0, -2.0]},
        {"kind": "inspected", "cause": "rail-bow", "outcome": "not-fixed"},
    ]
    assert parse_alignment(given).events == (
        MarkSeen("mirror-2", (0.0, 0.0), (0.0, 0.0), (0.1, 0.1), 3, 0.0),
        MarkSeen("below", (0.0, 0.0), (0.0, 0.0), (0.1, 0.1), None, 145.0),
        NoMark("nozzle", (1.0, 2.0), None, 0.0),
        NoMark("below", (1.0, 2.0), 0, 90.0),
        Difference("mirror-3", (3.0, 4.0), (1.0, 2.0), (0.1, 0.2), (0.3, 0.4)),
        Turn(1, "top", 0.25),
        Shift("tube", (0.0, 1.0, -2.0)),
        Inspected("rail-bow", "not-fixed"),
    )
    assert (
        MarkSeen("nozzle", (0.0, 0.0), (0.0, 0.0), (0.1, 0.1)).below_mm
        == NoMark("nozzle", (0.0, 0.0)).below_mm
        == 0.0
    )


def test_a_step_tells_lengths_and_shares_to_the_fourth_digit() -> None:
    third = 1 / 3
    verdict = Verdict(
        False, {"mirror-2": third}, {"mirror-1": third}, third, third, third, (1.0, 2.0), ("why",)
    )
    told = {"lens_mm": 0.3333, "nozzle_mm": 0.3333, "worst_power": 0.3333, "worst_at_head_mm": [1.0, 2.0]}
    parts = {"overlap_mm": {"mirror-2": 0.3333}, "centre_mm": {"mirror-1": 0.3333}}
    assert verdict.as_json() == told | parts | {"aligned": False, "reasons": ["why"]}
    assert replace(verdict, lens_mm=None).as_json()["lens_mm"] is None
    expect = Expect("nozzle", (1.0, 2.0), (third, -third), third)
    assert expect.as_json() == {
        "station": "nozzle",
        "head_mm": [1.0, 2.0],
        "offset_mm": [0.3333, -0.3333],
        "sigma_mm": 0.3333,
    }
    pair = (Known(third, 2 * third), Known(-third, third))
    both = [{"value": 0.3333, "sigma": 0.6667}, {"value": -0.3333, "sigma": 0.3333}]
    assert Estimate({"tube": pair}, {"mean": None}).as_json() == {
        "angles_mrad": {"tube": both},
        "five_point": {"mean": [None, None]},
    }
    cut = CutThere(*(Known(0.1 * i, 0.01 * i) for i in range(4)))
    place = Forecast((1.0, 2.0), None, cut, cut).as_json()
    assert (place["head_mm"], place["found"], place["now"]["lean_mm"]["value"]) == ([1.0, 2.0], None, 0.1)
    step = Step("turn", mount=1, screw="top", turns=0.0, expect=expect, verdict=verdict).as_json()
    assert (step["do"], step["mount"], step["turns"]) == ("turn", 1, 0.0) and "station" not in step
    assert step["expect"] == expect.as_json() and step["verdict"] == verdict.as_json()
    assert step["forecast"] is None and (step["say"], step["why"]) == (".", "")
    bare = Step("mark", station="nozzle", head_mm=(1.0, 2.0)).as_json()
    assert bare["head_mm"] == [1.0, 2.0] and bare["verdict"] is None and "expect" not in bare


def test_a_message_is_cut_before_it_fills_a_page() -> None:
    given = document()
    given["events"][0]["kind"] = "dance" * 200
    with pytest.raises(DocumentError) as refused:
        answer(given)
    assert len(refused.value.message) == 300
    given = document()
    given["events"][1]["screw"] = "s" * 61
    with pytest.raises(DocumentError, match=f"no screw '{'s' * 60}'; its screws: top, side"):
        answer(given)


@pytest.mark.parametrize(
    ("card", "before"),
    [
        (None, (0.0, 0.0, 0.0, 0.0)),
        ({"before_mount_mm": 3.0}, (3.0, 3.0, 3.0, 3.0)),
        ({"before_mount_mm": {"mirror-2": 4.0}}, (0.0, 4.0, 0.0, 0.0)),
        ({"before_mount_mm": {"nozzle": -2.0, "mirror-1": 1.0}}, (1.0, 0.0, 0.0, -2.0)),
    ],
)
def test_a_card_hangs_in_front_of_the_stations_that_are_named(
    card: Json | None, before: tuple[float, ...]
) -> None:
    given = profile("1600") | ({"card": card} if card else {})
    read = parse_profile(given)
    assert read.card.before_mount_mm == before
    assert parse_profile(profile_as_json(read)) == read


def test_what_a_profile_has_beside_the_usual_is_written_and_nothing_else() -> None:
    given = profile("1600")
    given["mount"][1] |= {"turns_from": -1.0, "turns_to": 2.0, "base": "fixed"}
    given["mount"][2]["contact"][0]["clockwise"] = -1
    told = profile_as_json(
        parse_profile(given | {"lens": {"comes_out": True}, "card": {"before_mount_mm": 5.0}})
    )
    assert told["lens"] == {"comes_out": True}
    assert told["card"] == {
        "before_mount_mm": dict.fromkeys(("mirror-1", "mirror-2", "mirror-3", "nozzle"), 5.0)
    }
    assert [sorted(mount) for mount in told["mount"]] == [
        ["contact", "mirror"],
        ["base", "contact", "mirror", "turns_from", "turns_to"],
        ["contact", "mirror"],
    ]
    assert [c.get("clockwise") for c in told["mount"][2]["contact"]] == [-1, 1, 1]
    assert "screw_pitch_mm" not in told["mount"][0]["contact"][2]
    bare = profile_as_json(parse_profile(given))
    assert "lens" not in bare and "card" not in bare


def test_where_a_profile_says_nothing_the_usual_holds() -> None:
    given = profile("1600")
    del given["tolerance"]
    read = parse_profile(given)
    assert (read.tolerance, read.lens.comes_out) == (Tolerance(1.0, 1.5, 2.0, 0.4), False)
    assert {(m.turns_from, m.turns_to, m.base) for m in read.mount} == {(-3.0, 3.0, "free")}
    assert read.bed.zero == "front-left"
    for mount in given["mount"]:
        for contact in mount["contact"]:
            contact.pop("clockwise", None)
    assert {c.clockwise for m in parse_profile(given).mount for c in m.contact} == {1}


def test_the_mounts_of_a_profile_may_come_in_any_order() -> None:
    given = profile("1600")
    given["mount"].reverse()
    read = parse_profile(given)
    assert [mount.mirror for mount in read.mount] == [1, 2, 3] and read == parse_profile(profile("1600"))


@pytest.mark.parametrize(("screw", "index"), [("top", 0), ("side", 1), ("corner", 2)])
def test_a_screw_has_its_place_on_its_mount_and_its_travel(screw: str, index: int) -> None:
    given = profile("1600")
    given["mount"][2]["contact"][index] |= {"screw_pitch_mm": 0.5, "clockwise": -1}
    read = parse_profile(given)
    assert read.contact_index(3, screw) == index
    assert screw_step(read, 3, screw, 0.25) == -0.125
    assert screw_step(read, 1, "top", 2.0) == pytest.approx(1.4)
    with pytest.raises(KeyError):
        read.contact_index(3, "bottom")
    with pytest.raises(ValueError, match="'corner' is a fixed pivot"):
        screw_step(read, 1, "corner", 1.0)


def test_the_head_stands_at_its_shares_of_the_bed() -> None:
    assert parse_profile(profile("1600")).head_mm(0.25, 0.5) == (400.0, 500.0)


def test_equal_profiles_have_one_hash_and_others_another() -> None:
    one, other = parse_profile(profile("1600")), parse_profile(profile("600"))
    again = replace(one)
    assert (hash(one), hash(one)) == (hash(again), hash(one)) and hash(one) != hash(other)


def test_a_place_outside_the_bed_names_its_side_and_its_key() -> None:
    for key, spoilt in (("from_head_mm", [0.0, 1000.5]), ("head_mm", [1600.5, 0.0])):
        given = document()
        pair = {"from_head_mm": [0.0, 0.0], "head_mm": [1600.0, 1000.0], "offset_mm": [0.0, 0.0]}
        given["events"] = [{"kind": "difference", "station": "mirror-3", **pair, key: spoilt}]
        with pytest.raises(DocumentError) as refused:
            parse_alignment(given)
        side = 1 if key == "from_head_mm" else 0
        assert refused.value.path == f"events.0.{key}.{side}"
        assert ("the bed's depth, 1000" if side else "the bed's width, 1600") in refused.value.message


def test_a_phrase_begins_with_a_capital_letter_and_ends_with_a_full_stop() -> None:
    step = Step("turn", parts=Parts("turn it", how_much="1/2 turn", way="clockwise", why="it is off"))
    assert (step.say, step.why) == ("Turn it by 1/2 turn clockwise.", "It is off.")
    whole = Parts(
        "mark mirror 2",
        first="with the lens out",
        where="head at the centre",
        care="lid closed",
        then="look at it",
        noticed="That is noted.",
    )
    assert whole.sentence == (
        "That is noted. With the lens out, mark mirror 2, head at the centre: lid closed; look at it."
    )
    assert Parts("move it", how_much="1 mm up").order == "Move it 1 mm up"
    assert Parts("x").order == "X"


def test_fields_that_are_nil_are_told_and_those_that_are_not_there_are_not() -> None:
    cut = CutThere(*(Known(1.0, 0.1),) * 4)
    step = Step(
        "shift", part="tube", move_mm=(0.0, 0.0, 1.0), forecast=(Forecast((1.0, 2.0), cut, cut, cut),)
    )
    told = step.as_json()
    assert told["move_mm"] == [0.0, 0.0, 1.0] and told["part"] == "tube"
    assert [place["head_mm"] for place in told["forecast"]] == [[1.0, 2.0]]
    assert {"turns", "mount", "hang", "expect"} & told.keys() == set()
