"""Small parts of reading a picture, by closed cases: lobes, warnings, memory, drawings, rows of fits."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from test_pairs import VIEW, camera, disc

from vision.bend import _FOCAL, Bend, bend_of_corners, eye_of, likeliest_focal
from vision.calibrate import _FEWEST_MARKERS, CalibrationFailed, CameraModel
from vision.card import Ring, Words, card_sheet
from vision.core import _strong, _uneven, _warnings
from vision.errors import PictureRefused
from vision.fit import Ground, fit_spot
from vision.grid import grid_markers, grid_shapes, size_mm
from vision.headers import Header, read_header
from vision.homography import project
from vision.joint import Mismatch, Patch, _furthest, _two_edges, _visible, explained, rival_rest
from vision.lobes import join_lobes
from vision.markers import _sharpened
from vision.picture import decode_bytes, result_bytes
from vision.print_pdf import _lay
from vision.raster import _lay_ring, text_outlines
from vision.reading import Mark
from vision.shape import _cut_distance, _pair_distance
from vision.window import Grid

calibrate = import_module("vision.calibrate")  # the package has a function of this name
GRID = Grid((1.0, -2.0), 0.1, 81)
U, V = np.meshgrid(*GRID.axes_mm())
ONES, NONE = np.ones(U.shape), np.zeros(U.shape)


def patch(change=NONE, known=NONE, gone=NONE, weight=ONES, **how) -> Patch:
    return Patch(GRID, change, known, gone, weight, Mismatch(), **how)


# joint


def test_the_noise_is_that_of_neighbours_where_there_is_weight():
    rough = np.random.default_rng(4).normal(0, 2.0, U.shape)
    half = np.where(U < 1.0, 0.0, 1.0)
    assert patch(rough + 50 * half).noise() == pytest.approx(2.05, rel=0.05)
    assert patch(np.where(half > 0, rough, 9 * rough), weight=half).noise() == pytest.approx(2.05, rel=0.06)


def test_the_rows_of_a_fit_are_the_derivatives_of_the_old_picture():
    """Of 3 u² + 2 uv - v² + 100, about (1, -2): shift along u and v, three of sharpness, gain, tones."""
    u, v = U - 1.0, V + 2.0
    known = 3 * u**2 + 2 * u * v - v**2 + 100
    rows, ridge = patch(known=known, weight=np.where(u < 0, 0.0, 1.0)).rows(freely=True)
    inner = np.s_[8:-8, 8:-8]
    by_u, by_v, uu, uv, vv, level, tones = (row.reshape(U.shape) for row in rows)
    for row, wanted in ((by_u, 6 * u + 2 * v), (by_v, 2 * u - 2 * v), (uu, 6 * ONES), (uv, 2 * ONES)):
        assert row[inner] == pytest.approx(wanted[inner], abs=0.02)
    assert vv[inner] == pytest.approx(-2.0, abs=0.02)
    assert (level - known)[inner].std() < 0.01
    assert np.median(level[u >= 0]) == pytest.approx(0.0, abs=0.01)
    assert tones == pytest.approx(level**2 / 128)
    noise = 0.05  # none but the floor
    likely = np.array([0.06, 0.06, 0.03, 0.03, 0.03, 0.15, 0.0375])
    assert patch().rows(freely=True)[1] == pytest.approx((noise / likely) ** 2)
    strong = Patch(GRID, NONE, NONE, NONE, ONES, Mismatch(gain=0.8))
    assert strong.rows(freely=True)[1][6] == pytest.approx((noise / 0.1) ** 2)
    assert len(ridge) == 7


def test_a_plane_of_light_is_no_change():
    flat = patch(5.0 + 2 * U - 3 * V)
    assert rival_rest(flat, np.zeros((0, U.size)), np.zeros(0)) == pytest.approx(0.0, abs=1e-3)
    half = np.where(U < 1.0, 0.0, 1.0)
    left = rival_rest(patch(5.0 + 90 * (1 - half), weight=half), np.zeros((0, U.size)), np.zeros(0))
    assert left.reshape(U.shape)[half > 0] == pytest.approx(0.0, abs=1e-3)


def test_old_marks_hide_by_how_far_they_have_gone():
    gone = 80 * disc(U, V, (1.0, -2.0), 2.0, soft=0.05)
    assert _furthest(patch(gone=gone)) == pytest.approx(80, rel=0.01)
    seen = _visible(patch(gone=gone - 20), 120.0)
    assert seen is not None
    assert seen.min() == pytest.approx(1 - 60 / 120, abs=0.01)
    assert seen.max() == 1.0  # where the tape is paler than bare
    assert _visible(patch(gone=gone), np.inf) is None
    assert _visible(patch(gone=gone), 40.0).min() == 0.0


def test_blur_of_a_product_adds_the_product_of_the_slopes():
    """Blurring f g by a Gaussian of variance s² gives F G + s² grad F . grad G to the first order."""
    blur, soft = 0.2, 0.35
    new, shown = disc(U, V, (1.0, -2.0), 2.0, soft), 1 - disc(U, V, (0.2, -2.3), 2.0, soft)
    spot = fit_spot(U.ravel(), V.ravel(), 50 * new.ravel(), centre=(1.0, -2.0), radius=2.0)
    ground = Ground(shown.ravel())

    def blurred(values):
        return cv2.GaussianBlur(values, (0, 0), blur / GRID.pitch_mm)

    true = 50 * (blurred(new * shown) - blurred(new) * blurred(shown))
    added = _two_edges(patch(blur_mm2=(blur**2, blur**2)), spot, ground).reshape(U.shape)
    inner = np.s_[10:-10, 10:-10]
    assert added[inner] == pytest.approx(true[inner], abs=0.25 * np.abs(true).max())
    assert (added * true)[inner].sum() / (true**2)[inner].sum() == pytest.approx(1.0, abs=0.25)
    along_u, along_v = (
        _two_edges(patch(blur_mm2=one), spot, ground) for one in ((blur**2, 0.0), (0.0, blur**2))
    )
    assert along_u + along_v == pytest.approx(added.ravel())
    assert not _two_edges(patch(blur_mm2=(0.1, 0.1)), spot, Ground()).any()


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_what_a_mark_explains_is_a_share_of_the_energy(share):
    rival = np.full(U.size, 2.0)
    spot = SimpleNamespace(rest=np.sqrt(1 - share) * rival)
    assert explained(patch(), spot, rival, 2.0) == pytest.approx(share)
    fine = np.where(
        np.indices(U.shape).sum(axis=0) % 2, 9.0, -9.0
    ).ravel()  # what is finer counts for nothing
    assert explained(patch(), SimpleNamespace(rest=spot.rest + fine), rival, 2.0) == pytest.approx(
        share, abs=0.01
    )


# core


def tracked(height, at=(1.0, 2.0)):
    mark = Mark(at, (0.02, 0.02), (4.0, 4.0), "round")
    return SimpleNamespace(mark=mark, spot=SimpleNamespace(height=height))


def test_what_is_much_fainter_than_the_strongest_is_told_and_is_no_mark():
    strong, quarter, weak = tracked(80.0), tracked(20.0), tracked(19.9, (-3.0, 4.25))
    kept, words = _strong([strong, quarter, weak])
    assert kept == [strong, quarter]
    assert words == ["something much fainter at -3.0, +4.2 mm was not taken for a mark"]
    assert _strong([]) == ([], [])


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, []),
        ({"markers_seen": 3}, ["only 3 of the card's four black squares are visible"]),
        ({"tilt_deg": 65.0}, []),
        ({"tilt_deg": 65.6}, ["the card is seen at 66°: look at it more squarely"]),
        ({"px_per_mm": 1.5}, []),
        ({"px_per_mm": 1.44}, ["the card is small in the picture (1.4 px per mm): go nearer"]),
        ({"rms_px": 0.47}, []),  # 0.08 mm at 6 px per mm
        ({"rms_px": 0.49}, ["the card is bent or blurred: flatten it, hold the camera still"]),
        ({"rms_px": float("nan")}, ["the card is bent or blurred: flatten it, hold the camera still"]),
        ({"left_out": 0.2}, []),
        ({"left_out": 0.21}, ["the card is bent or blurred: flatten it, hold the camera still"]),
        ({"bend": Bend(1 / 95, 0.0, (0.0, 0.0, 200.0))}, []),
        (
            {"bend": Bend(1 / 85, 0.0, (0.0, 0.0, 200.0))},
            ["the card is bent to a radius of 85 mm: flatten it"],
        ),
        ({"bend": Bend(1 / 85, 0.0, (0.0, 0.0, 200.0)), "unit_mm": 1.1}, []),
        (
            {"others": ("nozzle",)},
            ["a marker of another card (nozzle) is in the picture: show one card only"],
        ),
    ],
)
def test_what_makes_a_reading_less_sure_is_said(changed, said):
    assert _warnings(replace(VIEW, **changed)) == said


def test_edges_may_be_off_by_six_tenths_of_a_pixel_at_most():
    near = replace(VIEW, px_per_mm=40.0)
    assert not _uneven(replace(near, rms_px=0.6))
    assert _uneven(replace(near, rms_px=0.61))


# lobes, shapes, places


def lobe(u, width, shape="round"):
    return Mark((u, 0.0), (0.03, 0.04), (width, width), shape, new=True)


@pytest.mark.parametrize(
    ("one", "other", "joined"),
    [
        (lobe(0.0, 4.0), lobe(4.0, 3.0), True),
        (lobe(0.0, 4.0), lobe(5.8, 3.0), True),  # 2.3 mm between the edges, 0.6 of 4 mm are 2.4
        (lobe(0.0, 4.0), lobe(6.0, 3.0), False),
        (lobe(0.0, 4.0), lobe(3.0, 1.5), True),
        (lobe(0.0, 4.0), lobe(3.0, 1.3), False),  # a spark's
        (lobe(0.0, 1.3), lobe(3.0, 4.0), False),
        (lobe(0.0, 4.0), lobe(4.0, 4.0, "stretched"), True),
        (lobe(0.0, 4.0), lobe(4.0, 4.0, "cut-off"), False),
    ],
)
def test_two_lobes_are_of_like_size_and_near(one, other, joined):
    marks = join_lobes([one, other, lobe(15.0, 4.0)])
    assert len(marks) == (2 if joined else 3)
    assert (marks[0].shape == "double") == joined


def test_lobes_weigh_by_their_areas():
    """Moments of two uniform parts: means and variances add by share (any text on statistics)."""
    (both,) = join_lobes([lobe(0.0, 4.0), lobe(3.0, 2.0)])
    assert both.offset_mm == pytest.approx((0.2 * 3.0, 0.0))
    own, between = 0.8 * 1.0**2 + 0.2 * 0.5**2, 0.8 * 0.2 * 3.0**2
    assert both.width_mm == pytest.approx((4 * np.sqrt(own + between), 4 * np.sqrt(own)))
    # an area's relative error is twice the sigma of a centre (0.05 in both axes together) over the width
    weighed = np.hypot(0.8 * 2 * 0.05 / 4.0 * 0.6, 0.2 * 2 * 0.05 / 2.0 * 2.4)
    along, across = np.hypot(0.8, 0.2) * np.array([0.03, 0.04])
    assert both.sigma_mm == pytest.approx((np.hypot(along, weighed), across))
    assert both.lobes_mm == ((0.0, 0.0), (3.0, 0.0))


def test_distances_to_a_cut_circle_and_to_two_circles():
    at = np.array([(3.0, 0.0), (0.0, 3.0), (0.0, 0.0), (-2.0, 0.0)])
    cut = np.array([0.0, 0.0, 2.0, 0.0, 1.0])  # a circle of 2, cut at u = 1
    assert _cut_distance(cut, at) == pytest.approx([2.0, 1.0, -1.0, 0.0])
    pair = np.array([0.0, 0.0, 1.0, 4.0, 0.0, 2.0])
    assert _pair_distance(pair, at) == pytest.approx([-1.0, 2.0, -1.0, 1.0])


def test_a_card_of_another_size_is_read_as_if_it_were_the_standard_one():
    double = replace(VIEW, unit_mm=2.0)
    at = np.array([(3.0, -4.0)])
    assert project(double.units_to_px, at) == pytest.approx(project(VIEW.homography, 2 * at))


def test_a_bent_sheet_s_pose_is_sought_about_the_picture_s_middle():
    """Points on a cylinder as a pinhole shows them: what comes back lays them where they were seen."""
    corners = np.vstack(list(card_sheet("mirror-1").markers.values()))
    shape, focal, radius = (300, 1000), 900.0, 130.0
    arc = corners[:, 0]
    solid = np.column_stack(
        [radius * np.sin(arc / radius), corners[:, 1], radius * (np.cos(arc / radius) - 1)]
    )
    inner = np.array([(focal, 0, 499.5), (0, focal, 149.5), (0, 0, 1.0)])
    turn = cv2.Rodrigues(np.array([0.35, 0.25, 0.0]))[0] @ np.diag([1.0, -1.0, -1.0])
    there = (solid @ turn.T + (0.0, 0.0, 300.0)) @ inner.T
    seen = there[:, :2] / there[:, 2:]
    homography, bend = bend_of_corners(corners, seen, shape)
    assert np.abs(project(homography, bend.apparent(corners)) - seen).max() < 0.05
    assert 1 / abs(bend.curvature) == pytest.approx(radius, rel=0.03)


@pytest.mark.parametrize("tilt", [(0.7, 0.0, 0.1), (0.0, -0.7, 0.3), (0.5, 0.6, -1.0)])
def test_a_tilted_card_tells_the_focal_length_and_the_camera_s_place(tilt):
    """A pinhole of 900 px, as OpenCV writes it."""
    shape = (960, 1280)
    flat, full = camera(tilt, (0.0, 0.0, 220.0), shape)
    ratio = likeliest_focal(flat, shape)
    assert ratio * _FOCAL * 1280 == pytest.approx(900, rel=0.05)
    eye = -np.linalg.solve(full[:, :3], full[:, 3])
    assert eye_of(flat, shape, 900 / (_FOCAL * 1280)) == pytest.approx(eye, abs=0.5)


# pictures and drawings


@pytest.mark.parametrize("at", [8, 16, 20])
def test_a_brand_is_found_wherever_it_stands(at):
    """A file type box names its major brand and then its compatible ones (ISO/IEC 14496-12, 4.3)."""
    box = bytearray((24).to_bytes(4, "big") + b"ftypxxxx" + bytes(4) + b"yyyyzzzz")
    box[at : at + 4] = b"heic"
    with pytest.raises(PictureRefused, match="HEIC"):
        read_header(bytes(box))
    box[at : at + 4] = b"none"
    with pytest.raises(PictureRefused, match="not a picture"):
        read_header(bytes(box) + b"heic")


def test_fine_detail_is_raised_fourfold_and_a_plain_area_stays():
    plain = np.full((64, 64), 120, np.uint8)
    assert np.abs(_sharpened(plain).astype(int) - 120).max() <= 1
    fine = plain + 10 * (np.indices((64, 64)).sum(axis=0) % 2).astype(np.uint8)
    inner = _sharpened(fine)[16:-16, 16:-16].astype(float)
    assert (inner.min(), inner.max()) == pytest.approx((105, 145), abs=1.1)
    assert set(np.unique(_sharpened(np.where(fine > 120, 255, 0).astype(np.uint8)))) == {0, 255}


@pytest.mark.parametrize(
    ("header", "result", "decode"),
    [
        (Header("jpeg", 1000, 500), 1_500_000, 1_500_000),
        (Header("jpeg", 1000, 500, samples=1.5, scans=3), 1_500_000, 1_500_000 + 1_500_000),
        (Header("jpeg", 5001, 4001), 3 * 2501 * 2001, 2 * 3 * 2501 * 2001),
        (Header("png", 1000, 500), 1_500_000, 1_500_000),
        (Header("png", 5001, 4001), 3 * 2501 * 2001, 3 * 5001 * 4001 + 3 * 2501 * 2001),
        (Header("png", 5000, 4000, alpha=True), 60_000_000, 160_000_000),
        (Header("png", 1000, 500, alpha=True, bits=16), 1_500_000, 8_000_000),
        (Header("png", 4000, 4000), 48_000_000, 48_000_000),  # the most that is kept as it is
    ],
)
def test_what_a_picture_needs_of_memory(header, result, decode):
    assert result_bytes(header) == result
    assert decode_bytes(header) == decode


@pytest.mark.parametrize(
    ("size_px", "taken"), [((1, 1), True), ((0, 5), False), ((5, 0), False), ((-1, 5), False)]
)
def test_a_camera_has_a_size(size_px, taken):
    data = CameraModel(np.eye(3), np.zeros(5), (1, 1), 0.1).as_json() | {"size_px": list(size_px)}
    if taken:
        assert CameraModel.from_json(data).size_px == size_px
    else:
        with pytest.raises(CalibrationFailed, match="wrong number of values"):
            CameraModel.from_json(data)


@pytest.mark.parametrize("line_mm", [1.0, 0.05])
def test_a_ring_of_ink_lies_about_its_middle(line_mm):
    """Its area is 2 pi r times the line's width."""
    ink, per_mm = np.zeros((240, 320)), 10.0
    _lay_ring(ink, Ring(8.0, line_mm, ink=0.5), per_mm, (17.0, 11.0))
    assert ink.sum() / per_mm**2 == pytest.approx(0.5 * 2 * np.pi * 8.0 * line_mm, rel=0.02)
    y, x = np.indices(ink.shape) + 0.5
    assert ((ink * x).sum() / ink.sum(), (ink * y).sum() / ink.sum()) == pytest.approx(
        (170.0, 110.0), abs=0.1
    )
    assert ink.max() == pytest.approx(0.5 * min(1.0, line_mm * per_mm))


def test_a_printed_ring_is_as_wide_as_it_is_told():
    """A PDF's point is 1/72 inch (ISO 32000-1, 8.3.2.3)."""
    laid = []
    _lay(SimpleNamespace(add_patch=laid.append), Ring(25.0, 0.2), (3.0, 4.0))
    assert laid[0].get_linewidth() == pytest.approx(0.2 / 25.4 * 72)
    assert (laid[0].center, laid[0].radius, laid[0].get_fill()) == ((3.0, 4.0), 25.0, False)


def test_the_grid_s_words_lie_under_it_and_beside_each_other():
    words = [np.vstack(text_outlines(one)) for one in grid_shapes() if isinstance(one, Words)]
    lowest = min(corners[:, 1].min() for corners in grid_markers().values())
    tops, feet = [one[:, 1].max() for one in words], [one[:, 1].min() for one in words]
    assert lowest > tops[0] > feet[0] > tops[1]
    width, height = size_mm()
    assert max(np.abs(one[:, 0]).max() for one in words) < width / 2
    assert feet[1] > -height / 2


@pytest.mark.parametrize("short", [0, 1, 2])
def test_too_few_whole_markers_of_a_grid_are_none(monkeypatch, short):
    known = grid_markers()
    seen = list(known)[:_FEWEST_MARKERS]
    hidden = seen[:short]
    monkeypatch.setattr(
        calibrate,
        "find_markers",
        lambda _: [SimpleNamespace(id=i, corners_px=known.get(i)) for i in [*seen, 999]],
    )
    monkeypatch.setattr(
        calibrate, "_refined", lambda _, mm, px: None if any(mm is known[i] for i in hidden) else px + 0.1
    )
    monkeypatch.setattr(calibrate, "grid_markers", lambda: known)
    found = calibrate._grid_corners(np.zeros((9, 9, 3), np.uint8))
    assert (found is None) == (short > 0)
    if found:
        assert found[1] - found[0] == pytest.approx(0.1)
        assert len(found[0]) == 4 * _FEWEST_MARKERS


@pytest.mark.parametrize("data", [b"RIFF\x04\0\0\0WAVEfmt ", b"JUNK\x04\0\0\0WEBPVP8 "])
def test_a_container_of_something_else_is_no_picture(data):
    with pytest.raises(PictureRefused, match="not a picture"):
        read_header(data + bytes(40))
