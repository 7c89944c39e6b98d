"""Lists the cameras, each with a test picture or one line on why it gives none."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware.camera.base import Camera, Pixels
from firmware.camera.supervised import SupervisedCamera, child_environment
from firmware.errors import CameraTimeout, RigError

__all__ = ["CameraFound", "list_cameras"]

_PATIENCE_S = 20.0
_WARM_UP_FRAMES = 5  # the first pictures of a webcam are dark: its exposure is still settling


@dataclass(frozen=True)
class CameraFound:
    """A camera that is there.

    kind, options : what ``open_camera`` takes to open it.
    name : what it calls itself.
    picture : (rows, cols, 3) uint8 BGR, or None with ``problem`` saying why.
    focus : who sets its lens, ``motor`` or ``by hand``; None where that is not known.
    """

    kind: str
    name: str
    options: dict[str, Any] = field(default_factory=dict)
    picture: Pixels | None = None
    problem: str | None = None
    focus: str | None = None


def list_cameras(
    *,
    pictures: bool = True,
    system: Path = Path("/sys/class/video4linux"),
    pi: Callable[[], list[str]] | None = None,
    opener: Callable[..., Camera] = SupervisedCamera,
    lens: Callable[[str], dict[str, Any]] = lambda kind: {},
) -> list[CameraFound]:
    """Return the Pi's cameras, then the USB ones; with ``pictures`` each was opened for a test picture.

    lens : further options for a camera of a kind, such as where the clip holds the card.
    A camera or library that blocks is given up after a while, with a problem that says so.
    """
    found = [*_pi_cameras(pi or _pi_models), *_usb_cameras(system)]
    return [_tried(camera, opener, lens(camera.kind)) for camera in found] if pictures else found


def _pi_models() -> list[str]:
    """Ask in a process of its own: a camera library may block for ever while it is loaded."""
    try:
        asked = subprocess.run(
            [sys.executable, "-P", "-m", "firmware.camera.pi"],
            capture_output=True,
            timeout=_PATIENCE_S,
            env=child_environment(),
        )
        return [str(model) for model in json.loads(asked.stdout.splitlines()[-1])]
    except subprocess.TimeoutExpired:
        raise CameraTimeout(
            f"the camera library has not answered for {_PATIENCE_S:g} s: restart the Pi"
        ) from None
    except (OSError, ValueError, IndexError):
        return []  # doctor tells why a library does not load


def _pi_cameras(models: Callable[[], list[str]]) -> Iterable[CameraFound]:
    try:
        for number, model in enumerate(models()):
            yield CameraFound("pi", model, {"number": number})
    except CameraTimeout as error:
        yield CameraFound("pi", "ribbon cable", problem=str(error))


def _usb_cameras(system: Path) -> Iterable[CameraFound]:
    """One per USB camera: a camera's further nodes (``index`` above 0) carry metadata, not pictures.

    The nodes of other drivers (codecs, the Pi's own sensor) are not under a USB device and are left out.
    """
    for node in sorted(system.glob("video*"), key=lambda path: (len(path.name), path.name)):
        if _text(node / "index") in ("", "0") and "/usb" in str((node / "device").resolve()):
            yield CameraFound("usb", _text(node / "name") or node.name, {"device": f"/dev/{node.name}"})


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _tried(found: CameraFound, opener: Callable[..., Camera], lens: dict[str, Any]) -> CameraFound:
    if found.problem is not None:
        return found
    try:
        camera = opener(found.kind, **found.options, **lens)
        camera.start()
    except RigError as error:
        return replace(found, problem=str(error))
    try:
        frame = camera.newest(timeout_s=_PATIENCE_S / 2)
        for _ in range(_WARM_UP_FRAMES - 1):
            frame = camera.newest(newer_than=frame.number)
        return replace(found, picture=frame.pixels, focus=camera.focus)
    except RigError as error:
        return replace(found, problem=str(error))
    finally:
        camera.stop()
