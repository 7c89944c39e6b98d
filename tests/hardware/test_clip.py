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

from hardware import checks, clip
from hardware.body import layout
from hardware.cards import shapes
from hardware.files import as_mesh, write_body
from hardware.holds import clip_body
from hardware.measures import CAMERAS, Measures, Unbuildable, camera_axes
from hardware.plug import plug_body, to_card_mm
from hardware.solids import box
from vision import NoReading, find_card
from vision.raster import draw_shapes

KINDS = {
    "round": Measures(),
    "round 25": Measures(mount_mm=25),
    "round 60": Measures(mount_mm=60),
    "wide camera": Measures(camera="wide", tilt_deg=25),
    "square": Measures(mount="square", mount_mm=50),
    "small square": Measures(mount="square", mount_mm=36, magnet_mm=(5, 2), card="small"),
    "small": Measures(mount_mm=20, card="small"),
    "nozzle": Measures(mount="nozzle", mount_mm=20, tilt_deg=35),
    "thick boards": Measures(card_mm=5, stop_mm=6, tilt_deg=35),
}


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
    assert inside.min() > 10 * KINDS[kind].scale


def read_back(path: Path) -> trimesh.Trimesh:
    mesh = trimesh.load(path, force="mesh")
    mesh.merge_vertices()
    return mesh


def test_the_3mf_says_millimetres(bodies, tmp_path) -> None:
    path = write_body(tmp_path, "clip", bodies["small"])[1]
    with zipfile.ZipFile(path) as file:
        model = ET.fromstring(file.read("3D/3dmodel.model"))
    assert model.get("unit", "millimeter") == "millimeter"  # the 3MF core specification's default


M = KINDS["round"]
AT = layout(M)
SPOILED = {
    "a rod across the beam": (((-40, 40), (-60, -57), (-2, 2)), "plastic in the beam"),
    "a rod before a marker": (((-46, 0), (-20, -16), (-32, -24)), "lines of sight"),
    "a thin fin": (((0, 20), (-20, -19.2), (AT.bed, AT.bed + 30)), "thinnest wall"),
    "a flat roof": (((-40, 40), (-1, 3), (AT.bed + 8, AT.bed + 11)), "need support"),
    "a loose crumb": (((-1, 1), (-80, -78), (AT.bed, AT.bed + 3)), "separate bodies"),
    "a long beam": (((40, 44), (-190, 0), (AT.bed, AT.bed + 4)), "longest side"),
}


@pytest.mark.parametrize("what", SPOILED)
def test_each_check_notices_what_it_is_for(what: str, bodies) -> None:
    sides, name = SPOILED[what]
    failed = [c.name for c in checks.check_clip(bodies["round"] + box(*sides), M) if not c.holds]
    assert any(name in found for found in failed)


def test_nozzle_too_thick_to_look_past_is_noticed() -> None:
    m = Measures(mount="nozzle", mount_mm=40, tip_diameter_mm=15, gap_mm=10, tilt_deg=25)
    assert not checks._past_the_nozzle(m).holds


@pytest.mark.parametrize("tilt", [25.0, 30.0, 35.0])
def test_the_camera_stands_at_the_stated_angle(tilt: float) -> None:
    m = replace(M, tilt_deg=tilt)
    to_lens = m.lens_mm / np.linalg.norm(m.lens_mm)
    assert np.degrees(np.arccos(to_lens @ (0, -1, 0))) == pytest.approx(tilt)


@settings(max_examples=12, deadline=None)
@given(
    mount=st.sampled_from(["round", "square", "nozzle"]),
    size=st.floats(20, 50),
    tilt=st.floats(25, 35),
    boards=st.tuples(st.floats(1, 6), st.floats(1.5, 8)),
    camera=st.sampled_from(sorted(CAMERAS)),
)
def test_any_measurements_give_one_body_that_prints_outside_the_beam(
    mount, size, tilt, boards, camera
) -> None:
    wide = max(size, 40.0) if mount == "square" else size
    m = Measures(
        mount=mount, mount_mm=wide, tilt_deg=tilt, card_mm=boards[0], stop_mm=boards[1], camera=camera
    )
    body = clip_body(m)
    mesh = trimesh.load(io.BytesIO(as_mesh(body).export(file_type="stl")), file_type="stl", force="mesh")
    assert mesh.is_watertight and mesh.body_count == 1
    assert checks.unsupported_mm2(body) < 0.5
    assert checks.in_beam_mm3(body, m) == 0


@pytest.mark.parametrize(
    ("kind", "station"), [("round", "mirror-1"), ("nozzle", "nozzle"), ("small", "mirror-2")]
)
def test_the_card_is_found_in_the_clips_own_view(kind: str, station: str) -> None:
    """The card as this camera sees it, black where the rails and everything outside them hide it."""
    m, dpi = KINDS[kind], 150.0 / KINDS[kind].scale
    width, height = (side / 2 for side in m.card_size_mm)
    picture = draw_shapes(shapes(station, m.card), m.card_size_mm, (width, height), dpi=dpi)
    per_mm = dpi / 25.4
    hidden = round((width - layout(m).inner) * per_mm)
    picture[:, :hidden] = picture[:, -hidden:] = 30
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


def project(m: Measures, points: np.ndarray) -> np.ndarray:
    """Pinhole picture (n, 2) px of 2304 × 1296 with the camera's published horizontal field of view."""
    right, up, ahead = camera_axes(m.tilt_deg)
    focal = 1152 / np.tan(np.radians(CAMERAS[m.camera][0] / 2))
    ray = points - m.lens_mm
    return np.column_stack(
        [1151.5 + focal * (ray @ right) / (ray @ ahead), 647.5 - focal * (ray @ up) / (ray @ ahead)]
    )


@pytest.mark.parametrize(
    ("kind", "aperture"), [("round", 20.0), ("square", 18.0), ("nozzle", 4.0), ("small", 10.0)]
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
        ({"mount_mm": 58, "card": "small"}, "too large for the small card"),
        ({"mount": "square", "mount_mm": 70, "card": "small"}, "too large"),
    ],
)
def test_impossible_measurements_are_refused_in_one_line(change: dict, said: str) -> None:
    with pytest.raises(Unbuildable, match=said) as refused:
        clip_body(Measures(**change))
    assert "\n" not in str(refused.value)


def test_the_command_writes_everything_and_says_what_it_checked(tmp_path) -> None:
    done = CliRunner().invoke(
        clip.main, ["--mount-diameter", "25", "--card", "small", "--out", str(tmp_path)]
    )
    assert done.exit_code == 0, done.output
    assert {p.name for p in tmp_path.iterdir()} == {
        "clip.stl",
        "clip.3mf",
        "clip.svg",
        "plug.stl",
        "plug.3mf",
    }
    assert "FAIL" not in done.output and done.output.count("ok ") == 7
    drawing = (tmp_path / "clip.svg").read_text(encoding="utf-8")
    ET.fromstring(drawing)
    box_mm = clip_body(Measures(mount_mm=25, card="small")).bounding_box()
    for axis in range(3):
        assert f">{box_mm[axis + 3] - box_mm[axis]:.1f}<" in drawing


@pytest.mark.parametrize("arguments", [["--tilt", "25"], ["--mount-diameter", "900"], ["--aperture", "80"]])
def test_the_command_refuses_with_status_2_and_writes_nothing(arguments: list[str], tmp_path) -> None:
    done = CliRunner().invoke(clip.main, [*arguments, "--out", str(tmp_path / "clip")])
    assert done.exit_code == 2 and "Traceback" not in done.output
    assert not (tmp_path / "clip").exists()
