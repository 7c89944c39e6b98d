"""The rig's errors: one line each, and what to do about it."""

from __future__ import annotations

__all__ = [
    "CameraBusy",
    "CameraMissing",
    "CameraNotStarted",
    "CameraTimeout",
    "PanelMissing",
    "ProfileRefused",
    "ReplayRefused",
    "RigError",
    "UnknownCamera",
]


class RigError(Exception):
    """Base of the rig's errors; ``str()`` is one line for a person."""


class CameraMissing(RigError, OSError):
    """No such camera, or it was unplugged."""


class CameraBusy(RigError, OSError):
    """Another program holds the camera."""


class CameraTimeout(RigError, TimeoutError):
    """The camera is there and sends no new frame."""


class CameraNotStarted(RigError, RuntimeError):
    """A frame was asked for before ``start()`` or after ``stop()``."""


class UnknownCamera(RigError, ValueError):
    """The kind of camera asked for does not exist."""


class ReplayRefused(RigError, ValueError):
    """A folder or a picture in it cannot be replayed."""


class PanelMissing(RigError, OSError):
    """The pins asked for are not there."""


class ProfileRefused(RigError, ValueError):
    """The rig's profile cannot be read."""
