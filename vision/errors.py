"""The errors that `vision` raises: all derive from VisionError, and each also from a built-in error."""

from __future__ import annotations


class VisionError(Exception):
    """Base of every error that `vision` raises; its text is one line for a person."""


class PictureRefused(VisionError, ValueError):
    """The file is not a picture that may be read: wrong kind, damaged, or too large."""


class UnknownStation(VisionError, ValueError):
    """The name is not one of `STATIONS`."""


class UnknownSize(VisionError, ValueError):
    """The name is not one of the cards' sizes."""


class BarRefused(VisionError, ValueError):
    """The length given for a card's check bar cannot be one."""


class CalibrationFailed(VisionError, ValueError):
    """The pictures do not hold enough of the printed grid to calibrate a camera."""
