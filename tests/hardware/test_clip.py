"""The clip: it prints, it holds, it sees the card, and it stays out of the beam."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
import zipfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import trimesh
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from hardware import checks, clip, clips_table
from hardware.body import layout
from hardware.cards import shapes
from hardware.files import as_mesh, write_body
from hardware.holds import clip_body
from hardware.measures import CAMERAS, Measures, Unbuildable
from hardware.plug import plug_body, to_card_mm
from hardware.solids import box
from vision import NoReading, find_card, read
from vision.raster import draw_shapes

KINDS = {
    "near": Measures(),
    "round 25": Measures(mount_mm=25),
    "round 60": Measures(mount_mm=60),
    "standard": Measures(card="standard", camera="standard"),
    "wide, standard card": Measures(card="standard", tilt_deg=30),
    "module 2": Measures(camera="module-2", card="standard"),
    "square": Measures(mount="square", mount_mm=50),
    "small square": Measures(mount="square", mount_mm=36, magnet_mm=(5, 2)),
    "large square": Measures(mount="square", mount_mm=80),
    "bracket": Measures(mount="bracket", mount_mm=50),
    "bracket, left": Measures(mount="bracket", mount_mm=40, magnet_mm=(6, 3), deflects="left"),
    "nozzle": Measures(mount="nozzle", mount_mm=20, card="standard", camera="standard"),
    "thick boards": Measures(card="standard", camera="standard", card_mm=5, stop_mm=6),
    "holder": Measures(mount="square", mount_mm=50, card="standard", camera="none"),
    "nozzle's holder": Measures(mount="nozzle", mount_mm=20, camera="none"),
}
WITH_CAMERA = [kind for kind, m in KINDS.items() if m.camera != "none"]


@pytest.fixture(scope="module")
def bodies() -> dict[str, Manifold]:
    return {kind: clip_body(m) for kind, m in KINDS.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_every_check_holds(kind: str, bodies) -> None:
    failed = [str(c) for c in checks.check_clip(bodies[kind], KINDS[kind]) if not c.holds]
    assert not failed


@pytest.mark.parametrize("kind", KINDS)
def test_outside_mesh_library_finds_one_watertight_body(kind: str, bodies, tmp_path) -> None:
    """trimesh, a general mesh library, reads both files: closed, oriented, one piece, same volume."""
    for path in write_body(tmp_path, "clip", bodies[kind]):
        mesh = read_back(path)
        assert mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1
        assert mesh.volume == pytest.approx(bodies[kind].volume(), rel=1e-4)
        assert mesh.bounds[0][2] == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_outside_mesh_library_says_that_it_stands_on_the_bed(kind: str, bodies) -> None:
    """trimesh's centre of mass: at least 10 mm inside the feet, so that it does not tip over in print."""
    mesh = as_mesh(bodies[kind])
    feet = mesh.vertices[mesh.vertices[:, 2] < 0.01]
    middle, low, high = mesh.center_mass[:2], feet[:, :2].min(axis=0), feet[:, :2].max(axis=0)
    inside = np.minimum(middle - low, high - middle)
    assert inside.min() > 8 * KINDS[kind].scale


def read_back(path: Path) -> trimesh.Trimesh:
    mesh = trimesh.load(path, force="mesh")
    mesh.merge_vertices()
    return mesh


def test_the_3mf_says_millimetres(bodies, tmp_path) -> None:
    path = write_body(tmp_path, "clip", bodies["near"])[1]
    with zipfile.ZipFile(path) as file:
        model = ET.fromstring(file.read("3D/3dmodel.model"))
    assert model.get("unit", "millimeter") == "millimeter"  # the 3MF core specification's default


M = KINDS["standard"]
AT = layout(M)
SPOILED = {
    "a rod across the beam": (((-40, 40), (-60, -57), (-2, 2)), "plastic in the beam"),
    "a rod before a marker": (((-46, 0), (-20, -16), (-32, -24)), "lines of sight"),
    "a thin fin": (((0, 20), (-20, -19.2), (AT.bed, AT.bed + 30)), "thinnest wall"),
    "a flat roof": (((-40, 40), (-1, 3), (AT.bed + 8, AT.bed + 11)), "need support"),
    "a loose crumb": (((-1, 1), (-80, -78), (AT.bed, AT.bed + 3)), "separate bodies"),
    "a long beam": (((40, 44), (-190, 0), (AT.bed, AT.bed + 4)), "longest side"),
    "a rib behind the lens": (((-8, 8), (-140, -124), (75, 90)), "in the camera's board"),
}


@pytest.mark.parametrize("what", SPOILED)
def test_each_check_notices_what_it_is_for(what: str, bodies) -> None:
    sides, name = SPOILED[what]
    failed = [c.name for c in checks.check_clip(bodies["standard"] + box(*sides), M) if not c.holds]
    assert any(name in found for found in failed)


def test_nozzle_too_thick_to_look_past_is_noticed() -> None:
    m = Measures(mount="nozzle", mount_mm=40, tip_diameter_mm=15, gap_mm=10, tilt_deg=25)
    assert not checks._past_the_nozzle(m).holds


@pytest.mark.parametrize("tilt", [25.0, 30.0, 35.0])
def test_the_lens_stands_at_the_stated_angle_and_looks_at_the_middle(tilt: float) -> None:
    m = replace(M, tilt_deg=tilt)
    to_lens = m.lens_mm / np.linalg.norm(m.lens_mm)
    assert np.degrees(np.arccos(to_lens @ (0, -1, 0))) == pytest.approx(tilt)
    _, up, ahead = m.axes
    seen = m.markers_mm - m.lens_mm
    high = np.degrees(np.arctan2(seen @ up, seen @ ahead))
    assert high.max() == pytest.approx(-high.min(), abs=1e-6)  # as much room above the card as below


@pytest.mark.parametrize("kind", WITH_CAMERA)
def test_the_card_stays_in_the_picture_when_the_lens_looks_astray(kind: str) -> None:
    """By 3°, in any direction; the rotation is computed independently of the check."""
    m = KINDS[kind]
    assert m.in_view(m.distance_mm) <= 0.88
    for way in np.radians(np.arange(0, 360, 15)):
        turn = cv2.Rodrigues(np.radians(2.99) * np.array([np.cos(way), np.sin(way), 0.0]))[0]
        seen = (m.markers_mm - m.lens_mm) @ np.array(m.axes).T @ turn.T
        ratio = abs(seen[:, :2] / seen[:, 2:]) / np.tan(np.radians(np.array(m.board.field_deg) / 2))
        assert ratio.max() < 1.0


@pytest.mark.parametrize(
    ("kind", "most"),
    [("near", 85.0), ("round 25", 85.0), ("square", 90.0), ("small square", 90.0), ("bracket", 100.0)],
)
def test_the_near_clip_fits_before_mirrors_1_and_2(kind: str, most: float, bodies) -> None:
    """Plastic, board and screws, from the mount's face; from the mirror's middle for a bracket."""
    assert to_card_mm(KINDS[kind]) + checks.front_mm(bodies[kind], KINDS[kind]) <= most


@pytest.mark.parametrize("kind", WITH_CAMERA)
def test_outside_the_lens_can_focus_on_the_card(kind: str) -> None:
    """Nearest sharp distances: Raspberry Pi documentation, hardware specifications. For the wide lens its
    own focus table too: libcamera, src/ipa/rpi/vc4/data/imx708_wide.json, macro range up to 32 dioptres."""
    m = KINDS[kind]
    nearest = {"wide": 50.0, "standard": 100.0, "module-2": 100.0}[m.camera]
    assert m.distance_mm >= nearest and m.dioptres <= 32.0
    assert m.dioptres == pytest.approx(1000 / m.distance_mm)


@settings(max_examples=12, deadline=None)
@given(
    mount=st.sampled_from(["round", "square", "bracket", "nozzle"]),
    card=st.sampled_from(["small", "standard"]),
    size=st.floats(20, 50),
    tilt=st.floats(25, 35),
    boards=st.tuples(st.floats(1, 6), st.floats(1.5, 8)),
    camera=st.sampled_from(sorted(CAMERAS)),
)
def test_any_measurements_give_one_body_that_prints_outside_the_beam(
    mount, card, size, tilt, boards, camera
) -> None:
    wide = max(size, 40.0) if mount in ("square", "bracket") else size
    card_mm, stop_mm = boards
    m = Measures(
        mount=mount, mount_mm=wide, tilt_deg=tilt, card=card, card_mm=card_mm, stop_mm=stop_mm, camera=camera
    )
    body = clip_body(m)
    mesh = trimesh.load(io.BytesIO(as_mesh(body).export(file_type="stl")), file_type="stl", force="mesh")
    assert mesh.is_watertight and mesh.body_count == 1
    assert checks.unsupported_mm2(body) < 0.5
    assert checks.in_beam_mm3(body, m) == 0


@pytest.mark.parametrize(
    ("kind", "station"),
    [
        ("near", "mirror-1"),
        ("standard", "mirror-3"),
        ("wide, standard card", "mirror-2"),
        ("nozzle", "nozzle"),
    ],
)
def test_the_card_is_found_in_the_clips_own_view(kind: str, station: str) -> None:
    """The card as this camera sees it, black where the rails and everything beyond them hide it."""
    m, dpi = KINDS[kind], 150.0 / KINDS[kind].scale
    width, height = (side / 2 for side in m.card_size_mm)
    picture = draw_shapes(shapes(station, m.card), m.card_size_mm, (width, height), dpi=dpi)
    per_mm = dpi / 25.4
    hidden = round((width - layout(m).inner) * per_mm)
    picture[:, :hidden] = picture[:, -hidden:] = 30
    if station == "nozzle":
        picture = np.ascontiguousarray(picture[::-1, ::-1])  # there the card hangs with its arrow to the back
    corners = np.array([(-width, height), (width, height), (width, -height), (-width, -height)])
    flat = np.array([(u + width, height - v) for u, v in corners]) * per_mm - 0.5
    seen = project(m, np.array([(u, 0.0, v) for u, v in corners]))
    warp = cv2.getPerspectiveTransform(flat.astype(np.float32), seen.astype(np.float32))
    view = cv2.warpPerspective(picture, warp, (2304, 1296), borderValue=30)
    found = find_card(cv2.cvtColor(view, cv2.COLOR_GRAY2BGR))
    assert not isinstance(found, NoReading)
    name, card = found
    assert (name, card.size) == (station, m.card) and card.markers_seen == 4
    assert card.tilt_deg == pytest.approx(m.tilt_deg, abs=4)
    markers = project(m, m.markers_mm)
    assert np.all(markers > 0) and np.all(markers < (2304, 1296))


@pytest.mark.parametrize("kind", ["near", "wide, standard card", "standard"])
@pytest.mark.parametrize("offset_mm", [(0.0, 0.0), (4.0, -3.0), (-5.5, 5.0)])
def test_a_mark_is_read_where_it_is_in_the_clips_own_view(kind: str, offset_mm: tuple[float, float]) -> None:
    """A disc of 4 mm on the card, drawn flat and seen by this camera: read back within 0.1 mm."""
    m = KINDS[kind]
    dpi = 300.0 / m.scale
    width, height = (side / 2 for side in m.card_size_mm)
    flat = draw_shapes(shapes("mirror-1", m.card), m.card_size_mm, (width, height), dpi=dpi)
    per_mm = dpi / 25.4
    u, v = offset_mm
    at = (round((width + u) * per_mm * 16), round((height - v) * per_mm * 16))
    cv2.circle(flat, at, round(2.0 * per_mm * 16), 60, -1, cv2.LINE_AA, 4)
    corners = np.array([(-width, height), (width, height), (width, -height), (-width, -height)])
    source = np.array([(x + width, height - z) for x, z in corners]) * per_mm - 0.5
    seen = project(m, np.array([(x, 0.0, z) for x, z in corners]))
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), seen.astype(np.float32))
    view = cv2.warpPerspective(flat, warp, (2304, 1296), flags=cv2.INTER_AREA, borderValue=200)
    done = read(cv2.cvtColor(view, cv2.COLOR_GRAY2BGR))
    assert not isinstance(done, NoReading), done
    (mark,) = done.marks
    assert np.hypot(*np.subtract(mark.offset_mm, offset_mm)) < 0.1


@pytest.mark.parametrize(("barrel", "offset_mm"), [(-0.1, (-6.0, 6.0)), (-0.1, (8.0, 0.0))])
def test_a_wide_lens_that_bends_lines_reads_the_near_card_to_0_15_mm(barrel: float, offset_mm) -> None:
    """A pinhole with radial distortion r (1 + k₁ r²), uncalibrated: the markers take up most of it."""
    done = read(through_a_bent_lens(KINDS["near"], offset_mm, barrel))
    assert not isinstance(done, NoReading), done
    (mark,) = done.marks
    assert np.hypot(*np.subtract(mark.offset_mm, offset_mm)) < 0.15
    assert done.card.rms_px < 0.2  # the edges are found where the lens puts them, not given up


def through_a_bent_lens(m: Measures, offset_mm: tuple[float, float], barrel: float) -> np.ndarray:
    """The card with a disc of 4 mm as the lens shows it, by tracing each pixel's undistorted ray."""
    per_mm, (width, height) = 300.0 / m.scale / 25.4, (side / 2 for side in m.card_size_mm)
    flat = draw_shapes(shapes("mirror-1", m.card), m.card_size_mm, (width, height), dpi=per_mm * 25.4)
    at = ((width + offset_mm[0]) * per_mm - 0.5, (height - offset_mm[1]) * per_mm - 0.5)
    cv2.circle(flat, tuple(round(16 * x) for x in at), round(32 * per_mm), 60, -1, cv2.LINE_AA, 4)
    focal = 1152 / np.tan(np.radians(m.board.field_deg[0] / 2))
    seen = np.stack(np.meshgrid((np.arange(2304) - 1151.5) / focal, (np.arange(1296) - 647.5) / focal))
    straight = seen.copy()
    for _ in range(30):
        straight = seen / (1 + barrel * (straight**2).sum(axis=0))
    right, up, ahead = m.axes
    ray = straight[0][..., None] * right - straight[1][..., None] * up + ahead
    met = m.lens_mm - ray * (m.lens_mm[1] / ray[..., 1:2])
    across, down = (width + met[..., 0]) * per_mm - 0.5, (height - met[..., 2]) * per_mm - 0.5
    view = cv2.remap(
        flat, across.astype(np.float32), down.astype(np.float32), cv2.INTER_LINEAR, borderValue=200
    )
    return cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 0.7), cv2.COLOR_GRAY2BGR)


def project(m: Measures, points: np.ndarray) -> np.ndarray:
    """Pinhole picture (n, 2) px of 2304 × 1296 with the camera's published horizontal field of view."""
    right, up, ahead = m.axes
    focal = 1152 / np.tan(np.radians(m.board.field_deg[0] / 2))
    ray = points - m.lens_mm
    return np.column_stack(
        [1151.5 + focal * (ray @ right) / (ray @ ahead), 647.5 - focal * (ray @ up) / (ray @ ahead)]
    )


@pytest.mark.parametrize(
    ("kind", "aperture"), [("near", 20.0), ("square", 18.0), ("nozzle", 4.0), ("round 25", 10.0)]
)
def test_the_plug_prints_and_its_pin_reaches_the_card(kind: str, aperture: float) -> None:
    m = KINDS[kind]
    plug = plug_body(m, aperture_mm=aperture)
    assert len(plug.decompose()) == 1 and checks.unsupported_mm2(plug) == 0
    x0, y0, _, x1, y1, z1 = plug.bounding_box()
    assert x1 - x0 > aperture and x0 == pytest.approx(-x1, abs=0.01) and y0 == pytest.approx(-y1, abs=0.01)
    seat = next(
        z
        for z in np.arange(0.05, z1, 0.05)
        if np.ptp(np.array(plug.slice(z).bounds())[[0, 2]]) >= aperture - 0.02
    )
    assert z1 - seat + 4.0 == pytest.approx(to_card_mm(m) + 1.0, abs=0.2)  # the pin stands out 4 mm


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"mount_mm": 5}, "mount 5"),
        ({"tilt_deg": 60}, "tilt 60"),
        ({"grip_mm": 8}, "grip 8"),
        ({"mount": "square", "mount_mm": 36}, "take smaller ones"),
        ({"mount": "bracket", "mount_mm": 36}, "take smaller ones"),
    ],
)
def test_impossible_measurements_are_refused_in_one_line(change: dict, said: str) -> None:
    with pytest.raises(Unbuildable, match=said) as refused:
        clip_body(Measures(**change))
    assert "\n" not in str(refused.value)


def test_the_command_writes_everything_and_says_what_it_checked(tmp_path) -> None:
    done = CliRunner().invoke(clip.main, ["--mount-diameter", "25", "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert {p.name for p in tmp_path.iterdir()} == {
        "clip.stl",
        "clip.3mf",
        "clip.svg",
        "plug.stl",
        "plug.3mf",
        "hood.stl",
        "hood.3mf",
    }
    assert "FAIL" not in done.output and done.output.count("ok ") == 10
    assert "19.2 dioptres" in done.output and "before_mount_mm = { mirror-N = 17.8 }" in done.output
    drawing = (tmp_path / "clip.svg").read_text(encoding="utf-8")
    ET.fromstring(drawing)
    box_mm = clip_body(Measures(mount_mm=25)).bounding_box()
    for axis in range(3):
        assert f">{box_mm[axis + 3] - box_mm[axis]:.1f}<" in drawing


@pytest.mark.parametrize(
    "arguments",
    [["--mount", "nozzle", "--camera", "wide"], ["--mount-diameter", "900"], ["--aperture", "80"]],
)
def test_the_command_refuses_with_status_2_and_writes_nothing(arguments: list[str], tmp_path) -> None:
    done = CliRunner().invoke(clip.main, [*arguments, "--out", str(tmp_path / "clip")])
    assert done.exit_code == 2 and "Traceback" not in done.output
    assert not (tmp_path / "clip").exists()


def test_the_nozzles_clip_says_how_far_to_lower_the_bed(tmp_path, bodies) -> None:
    done = CliRunner().invoke(
        clip.main, ["--mount", "nozzle", "--mount-diameter", "20", "--out", str(tmp_path)]
    )
    m = KINDS["nozzle"]
    lowest = m.gap_mm + bodies["nozzle"].bounding_box()[4]
    room = int(done.output.split("lower the bed by ")[1].split(" mm")[0])
    assert lowest + 2 < room < lowest + 6
    assert "before_mount_mm = { nozzle = -15.0 }" in done.output and "to the front, 131 mm" in done.output


def test_a_holder_without_a_camera_stands_close(tmp_path, bodies) -> None:
    m = KINDS["holder"]
    assert checks.front_mm(bodies["holder"], m) + to_card_mm(m) < 30
    done = CliRunner().invoke(clip.main, ["--camera", "none", "--out", str(tmp_path)])
    assert done.exit_code == 0 and not (tmp_path / "hood.stl").exists() and "dioptres" not in done.output


def test_the_table_in_the_readme_is_this_one() -> None:
    readme = (Path(clips_table.__file__).parent / "README.md").read_text(encoding="utf-8")
    rows = readme.split("<!-- clips -->")[1].split("<!-- /clips -->")[0].strip().splitlines()
    assert rows[2:] == clips_table.table().splitlines()


@pytest.mark.parametrize("mount", ["round", "square", "bracket", "nozzle"])
def test_the_drawing_in_the_folder_is_this_one(mount: str, tmp_path) -> None:
    """Compares sizes and words; edges differ by rounding from one computer to another."""
    folder = Path(clips_table.__file__).parent
    side = {"round": 40.0, "nozzle": 20.0}.get(mount, 50.0)
    asked = ["--mount", mount, "--mount-diameter", str(side), "--out", str(tmp_path)]
    assert CliRunner().invoke(clip.main, asked).exit_code == 0
    texts = [
        [e.text for e in ET.parse(f).getroot().iter() if e.text]
        for f in (tmp_path / "clip.svg", folder / f"clip-{mount}.svg")
    ]
    assert texts[0] == texts[1]
