"""Changes of the light between two pictures that no quadratic surface can follow: a shadow's edge, a glare.

Light is smooth over several millimetres and changes everything under it alike; a mark is smaller than that.
So the relative difference is averaged over a few millimetres, robustly: a point that differs from its
surroundings (a mark) loses its weight, and the average is continued across it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bare_tape import INSIDE_MM, Stack
from vision.card import Floats
from vision.window import Grid

_STEP = 4
_SIGMAS_MM = (6.0, 5.0, 4.0, 4.0, 4.0)
_REACH = (1e9, 6.0, 5.0, 4.0, 4.0)  # standard deviations at which a point loses its weight, round by round
_LEAST_SPREAD, _DARKEST = 0.01, 8.0
_NOISE_PX = 1.0
_TURNS = [float(turn) for turn in np.arange(24) * np.pi / 24]
_FINER_TURNS = [np.pi / 48, np.pi / 96, np.pi / 192]
# Lines along which light is alike: how far apart, how many to either side (the last is 25 mm long, more than
# twice the widest mark), and the share of the change that they must leave at most.
_LINE_MM, _LINES, _EDGE_LEAVES = 1.0, 18, 0.7
_LAMP_MM, _LEVELS = 10.0, 64.0  # side of the square; steps to a share of one


def light_change(seen: Stack, expected: Stack, grid: Grid) -> NDArray[np.float32]:
    """Return the relative change of light, (side, side, 3), from a whole window as expected to it as seen."""
    side = grid.side // _STEP
    inside = (grid.radius_mm() < INSIDE_MM).astype(np.float32)
    small = cv2.resize(inside, (side, side), interpolation=cv2.INTER_AREA)
    relative = (seen - expected) / np.maximum(expected, _DARKEST) * inside[..., None]
    relative = np.asarray(cv2.resize(relative.astype(np.float32), (side, side), interpolation=cv2.INTER_AREA))
    relative = relative / np.maximum(small, 0.3)[..., None]
    cover = (small > 0.7).astype(np.float32)
    field = np.zeros_like(relative)
    for sigma_mm, reach in zip(_SIGMAS_MM, _REACH, strict=True):
        away = np.abs(relative - field).max(axis=2)
        spread = max(1.4826 * float(np.median(away[cover > 0])), _LEAST_SPREAD)
        weight = (cover * np.clip(1 - (away / (reach * spread)) ** 2, 0, None) ** 2 + 1e-4 * cover)[..., None]
        sigma = sigma_mm / (_STEP * grid.pitch_mm)
        above = cv2.GaussianBlur(relative * weight, (0, 0), sigma)
        below = np.asarray(cv2.GaussianBlur(weight, (0, 0), sigma)).reshape(side, side, 1)
        field = np.asarray(above) / np.maximum(below, 1e-9)
    return np.asarray(
        cv2.resize(field, (grid.side, grid.side), interpolation=cv2.INTER_LINEAR), dtype=np.float32
    )


def with_edge(light: NDArray[np.float32], seen: Stack, expected: Stack, grid: Grid) -> NDArray[np.float32]:
    """Return a change of the light with the edge of a shadow across the window, where there is one.

    `expected` already contains `light`. A shadow's edge is sharper than an average over several millimetres,
    but it continues along a line, which a mark does not. So in the direction that explains most, the median
    along each line is taken for light.
    """
    side = grid.side // _STEP
    rest = (seen - expected) / np.maximum(expected, _DARKEST)
    small = np.asarray(cv2.resize(rest.astype(np.float32), (side, side), interpolation=cv2.INTER_AREA))
    u, v = (np.linspace(axis[0], axis[-1], side) for axis in grid.axes_mm())
    inside = np.hypot(u[None, :], v[:, None]) < INSIDE_MM
    values, at = (
        small[inside].astype(float),
        np.stack(np.broadcast_arrays(u[None, :], v[:, None]), axis=-1)[inside],
    )
    grey = values.mean(axis=1)

    def left(turn: float) -> float:
        across = at @ _unit(turn)
        return float(np.abs(grey - _of_line(across, _along_lines(across, grey[:, None]))[:, 0]).mean())

    best = min(_TURNS, key=left)
    if not left(best) < _EDGE_LEAVES * float(np.abs(grey - np.median(grey)).mean()):
        return light
    for step in _FINER_TURNS:
        best = min((best - step, best, best + step), key=left)
    lines = _along_lines(at @ _unit(best), values)
    everywhere = np.stack(np.broadcast_arrays(*np.meshgrid(*grid.axes_mm())), axis=-1)
    edge = _of_line((everywhere @ _unit(best)).ravel(), lines).reshape(*everywhere.shape[:2], 3)
    return np.asarray((1 + light) * (1 + edge) - 1, dtype=np.float32)


def _unit(turn: float) -> Floats:
    return np.array([np.cos(turn), np.sin(turn)])


def _along_lines(across: Floats, values: Floats) -> Floats:
    """Median (lines, channels) of values (n, channels) along each line."""
    which = np.rint(across / _LINE_MM).astype(int) + _LINES
    return np.array([np.median(values[which == i], axis=0) for i in range(2 * _LINES + 1)])


def _of_line(across: Floats, lines: Floats) -> Floats:
    """Values (n, channels) at points, interpolated between the lines; constant beyond the last line."""
    places = _LINE_MM * np.arange(-_LINES, _LINES + 1)
    return np.stack([np.interp(across, places, channel) for channel in lines.T], axis=1)


def on_grid(field: NDArray[np.float32], window: Grid, grid: Grid) -> NDArray[np.float32]:
    """Return a field of the whole window on another grid."""
    to_window = np.linalg.inv(window.to_mm) @ grid.to_mm
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (grid.side, grid.side)
    return np.asarray(cv2.warpPerspective(field, to_window, size, flags=how, borderMode=cv2.BORDER_REPLICATE))


def lamps(seen: Stack, expected: Stack, grid: Grid) -> NDArray[np.float32]:
    """Return the share by which lamps brighten the tape of one picture, (side, side, 3): the median over a
    square that is wider than any mark.
    """
    side = grid.side // _STEP
    inside = (grid.radius_mm() < INSIDE_MM)[..., None]
    share = np.where(inside, seen / np.maximum(expected, _DARKEST), 1.0)
    small = cv2.resize(share.astype(np.float32), (side, side), interpolation=cv2.INTER_AREA)
    levels = np.clip(np.asarray(small) * _LEVELS, 0, 255).astype(np.uint8)
    middle = np.asarray(cv2.medianBlur(levels, round(_LAMP_MM / (_STEP * grid.pitch_mm)) | 1), np.float32)
    smooth = cv2.GaussianBlur(middle / _LEVELS - 1, (0, 0), 1.0)
    return np.asarray(cv2.resize(smooth, (grid.side, grid.side), interpolation=cv2.INTER_LINEAR), np.float32)


def stands_out(seen: Stack, expected: Stack, inside: NDArray[np.bool_], share: float) -> bool:
    """Return whether any colour differs from the expected one by more than `share` of it anywhere in a
    window, pixel noise smoothed away. This saves a search for plain marks where there can be none.
    """
    apart = np.asarray(cv2.GaussianBlur(np.abs(seen - expected), (0, 0), _NOISE_PX))
    return bool((apart / np.maximum(expected, _DARKEST)).max(axis=2)[inside].max() > share)


def darker(rest: Stack) -> Stack:
    """Return the part of a change (side, side, 3) that is darker: a burn without a lamp's image around it."""
    return np.asarray(rest * (rest.mean(axis=2) < 0)[..., None], dtype=np.float32)
