"""How sharp the card is, and what the doctor says of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import vision
from firmware.camera.listing import CameraFound
from firmware.profile import RigProfile
from server.rig import doctor
from server.rig.card_focus import card_focus


def shown(sigma_px: float, size: str = "standard") -> np.ndarray:
    """A card straight on, 6 px a millimetre, softened."""
    flat = vision.draw_card("mirror-2", dpi=6 * 25.4, size=size)
    framed = cv2.copyMakeBorder(flat, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=120)
    soft = cv2.GaussianBlur(framed, (0, 0), sigma_px)
    return np.repeat(soft[..., None], 3, axis=2)


@pytest.mark.parametrize("sigma_px", [1.5, 3.0, 5.0])
def test_outside_the_width_of_a_soft_edge_is_that_of_the_normal_distribution(sigma_px: float) -> None:
    """From 10 to 90 % a normal distribution needs 2.563 standard deviations (any table of it)."""
    seen = card_focus(shown(sigma_px))
    assert seen is not None
    assert (seen.station, seen.size) == ("mirror-2", "standard")
    assert seen.edge_px == pytest.approx(2.563 * sigma_px, rel=0.12)
    assert seen.edge_mm == pytest.approx(seen.edge_px / 6, rel=0.02)


def looks(picture: np.ndarray, focus: str | None, profile: RigProfile, kind: str = "pi") -> list[doctor.Look]:
    camera = CameraFound(kind, "imx708", picture=picture, focus=focus)
    return [look for look in doctor.cameras([camera], lens=profile.lens_options) if look.name == "focus"]


def test_the_doctor_says_how_sharp_the_card_is_and_what_to_do() -> None:
    clip = RigProfile.model_validate({"camera": {"focus_dioptres": 19.2}})
    (sharp,) = looks(shown(1.0), "motor", clip)
    assert sharp.state == "good"
    assert sharp.line.startswith("card of mirror-2 in view, sharp: its edges are 0.")
    (soft,) = looks(shown(3.2), "motor", clip)
    assert soft.state == "bad"
    assert "focus_dioptres" in soft.line
    (by_hand,) = looks(shown(3.2), "by hand", clip)
    assert "turn the lens by its ring" in by_hand.line
    wall = np.random.default_rng(1).integers(115, 125, (200, 300, 3)).astype(np.uint8)
    (unset,) = looks(wall, "motor", RigProfile())
    assert "no 'focus_dioptres'" in unset.line
    (none,) = looks(wall, "motor", clip)
    assert none.line == "no card in view: hang one and run this again"


def test_a_card_that_is_upside_down_reads_the_same() -> None:
    found, turned = vision.find_card(shown(1.0)), vision.find_card(shown(1.0)[::-1, ::-1].copy())
    assert not isinstance(found, vision.NoReading)
    assert not isinstance(turned, vision.NoReading)
    assert found[0] == turned[0]
    rows, cols = shown(1.0).shape[:2]
    for uv in ((0.0, 0.0), (7.0, -3.0)):
        at = np.float64([[uv]])
        upright, other = (cv2.perspectiveTransform(at, view[1].homography)[0, 0] for view in (found, turned))
        assert np.allclose(upright, (cols - 1, rows - 1) - other, atol=0.02)
