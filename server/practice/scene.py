"""One card in front of the practice camera: everything that does not move between two pulses."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

import vision
from server.practice.burn import Field
from server.practice.surface import TEXTURE_PX_PER_MM, WHITE, card_surface, scorched
from server.practice.view import COLS, ROWS, Pose, homography
from server.practice.workshop import Picture, light, workshop

__all__ = ["PAD", "Scene"]

PAD = 12  # px by which the still picture is larger than a frame on each side, for the sway
_DEFOCUS_PX = 0.75


class Scene:
    """A station's card in its workshop; ``still(field)`` is the picture without sway and noise."""

    def __init__(self, station: str, pose: Pose, *, place_seed: int, card_seed: int) -> None:
        self._station = station
        self.hang(card_seed)
        place = np.random.default_rng(place_seed)
        sheet = vision.card_sheet(station)
        left, top = -sheet.centre_mm[0], sheet.centre_mm[1]
        right, bottom = left + sheet.width_mm, top - sheet.height_mm
        corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        self.homography = homography(pose, corners)
        rows, cols = ROWS + 2 * PAD, COLS + 2 * PAD
        self._warp = _moved(PAD, PAD) @ self.homography @ self._texture_to_mm()
        self._cover = self._covered(rows, cols)
        lamp = light(rows, cols, rng=place)
        behind = workshop(rows, cols, rng=place) * (1 - 0.5 * _shadow(self._cover)) * lamp
        self._behind = _grey_levels(behind * (1 - self._cover[..., None]))
        self._front = lamp * self._cover[..., None] * _sheen(rows, cols, place)

    def hang(self, card_seed: int) -> None:
        """Put another card at this place."""
        self._surface = card_surface(self._station, np.random.default_rng(card_seed))

    def still(self, field: Field) -> NDArray[np.uint8]:
        """Return the (ROWS + 2 PAD, COLS + 2 PAD, 3) uint8 picture with that heat burnt into the card."""
        rows, cols = self._cover.shape
        colour = cv2.GaussianBlur(scorched(self._surface, field), (0, 0), 0.7)
        card = cv2.warpPerspective(colour, self._warp, (cols, rows), flags=cv2.INTER_LINEAR)
        whole = np.clip(card * self._front + self._behind, 0, 255).astype(np.uint8)
        return np.asarray(cv2.GaussianBlur(whole, (0, 0), _DEFOCUS_PX), np.uint8)

    def _texture_to_mm(self) -> NDArray[np.float64]:
        col, row = self._surface.offset_px
        scale = 1 / TEXTURE_PX_PER_MM
        return np.array([[scale, 0, -col * scale], [0, -scale, row * scale], [0, 0, 1]])

    def _covered(self, rows: int, cols: int) -> Picture:
        whole = np.ones(self._surface.colour.shape[:2], np.float32)
        return np.asarray(cv2.warpPerspective(whole, self._warp, (cols, rows)), np.float32)


def _grey_levels(picture: Picture) -> NDArray[np.uint8]:
    return np.clip(picture * WHITE, 0, 255).astype(np.uint8)


def _moved(x_px: float, y_px: float) -> NDArray[np.float64]:
    return np.array([[1.0, 0.0, x_px], [0.0, 1.0, y_px], [0.0, 0.0, 1.0]])


def _shadow(cover: Picture) -> Picture:
    dropped = cv2.warpAffine(cover, _moved(16, 14)[:2], cover.shape[::-1])
    return np.asarray(cv2.GaussianBlur(dropped, (0, 0), 14)[..., None], np.float32)


def _sheen(rows: int, cols: int, rng: np.random.Generator) -> Picture:
    """A broad, faint band of reflected lamplight, because a card is never quite flat."""
    x = np.linspace(0, 1, cols, dtype=np.float32)[None, :]
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    along = x + 0.35 * y - rng.uniform(0.4, 0.9)
    return np.asarray(0.93 + 0.07 * np.exp(-((along / 0.25) ** 2)), np.float32)[..., None]
