"""At the mirror: cameras, the panel with its pins, the health of the rig. Imports none of our packages."""

from firmware.camera.base import Camera, Frame, FrameLike
from firmware.camera.opening import KINDS, open_camera
from firmware.errors import (
    CameraBusy,
    CameraMissing,
    CameraNotStarted,
    CameraTimeout,
    PanelMissing,
    ProfileRefused,
    ReplayRefused,
    RigError,
    UnknownCamera,
)

__all__ = [
    "KINDS",
    "Camera",
    "CameraBusy",
    "CameraMissing",
    "CameraNotStarted",
    "CameraTimeout",
    "Frame",
    "FrameLike",
    "PanelMissing",
    "ProfileRefused",
    "ReplayRefused",
    "RigError",
    "UnknownCamera",
    "open_camera",
]
