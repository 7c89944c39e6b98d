"""Check everything that a rig needs: one line for each check, with what to do if it failed."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from typing import Any, Literal

from firmware.camera.listing import CameraFound, list_cameras
from firmware.camera.picture_fault import SHARPEN, picture_fault
from firmware.camera.supervised import child_environment
from firmware.health import Run, check_clock, check_disk, check_supply, check_writable, run_command
from firmware.panel.panel import Panel, open_panel
from firmware.panel.parts import Pins
from server.log import LogMissing, check
from server.rig.card_focus import card_focus
from server.rig.own_address import own_address

__all__ = ["Look", "cameras", "clock", "disk", "heat", "libraries", "log", "network", "pins"]

State = Literal["good", "note", "bad"]
_OPTIONAL = {"picamera2": "the Pi's own camera", "gpiozero": "lamps and buttons on a Pi's pins"}
_INSTALL_AGAIN = "install Spotwright again (see docs/install.md)"


@dataclass(frozen=True)
class Look:
    """The result of one check: name, state, and one line that says what to do unless the state is good."""

    name: str
    state: State
    line: str


def cameras(
    found: Iterable[CameraFound] | None = None, *, lens: Callable[[str], dict[str, Any]] = lambda kind: {}
) -> Iterator[Look]:
    """Check each camera with a test picture, and how sharp the card is in it.

    lens : what the rig's profile says of the clip, for a camera of a kind.
    """
    seen = list(list_cameras(lens=lens) if found is None else found)
    if not seen:
        yield Look("camera", "bad", "none found: plug in a USB camera, or check the Pi's ribbon cable")
    for camera in seen:
        yield _camera(camera)
        yield from _focus(camera, lens(camera.kind))


def _camera(camera: CameraFound) -> Look:
    if camera.picture is None:
        return Look("camera", "bad", f"{camera.kind} {camera.name}: {camera.problem}")
    rows, cols = camera.picture.shape[:2]
    fault = picture_fault(camera.picture, focus=camera.focus)
    if fault is not None:
        return Look("camera", "bad", f"{camera.kind} {camera.name}: {fault.line}")
    return Look("camera", "good", f"{camera.kind} {camera.name}: a picture of {cols} × {rows}")


def _focus(camera: CameraFound, lens: dict[str, Any]) -> Iterator[Look]:
    """How sharp the card is, and what to do where there is none or it is soft."""
    if camera.picture is None or picture_fault(camera.picture) is not None:
        return
    seen = card_focus(camera.picture)
    unset = camera.kind == "pi" and camera.focus == "motor" and "focus_dioptres" not in lens
    if seen is not None and seen.sharp:
        yield Look("focus", "good", seen.line)
    elif seen is not None:
        yield Look("focus", "bad", f"{seen.line}: {SHARPEN[camera.focus]}")
    elif unset:
        yield Look(
            "focus", "note", "no card in view, and no 'focus_dioptres' in the rig's profile: see docs/rig.md"
        )
    else:
        yield Look("focus", "note", "no card in view: hang one and run this again")


def pins(used: Pins, *, opener: Callable[[Pins], tuple[Panel, str | None]] = open_panel) -> Iterator[Look]:
    """Check the pins that the profile uses."""
    named = ", ".join(f"{name} {pin}" for name, pin in used.used().items())
    if not named:
        yield Look("pins", "note", "none in the rig's profile: it runs without lamps and buttons")
        return
    panel, missing = opener(used)
    panel.close()
    if missing is not None:
        yield Look("pins", "bad", f"{missing}: a running service holds them; else check the profile")
    else:
        yield Look("pins", "good", named)


def disk(folder: Path) -> Iterator[Look]:
    """Check the room for readings and pictures."""
    there = next((path for path in (folder, *folder.parents) if path.exists()), folder)
    found = check_writable(folder) + check_disk(there)
    for finding in found:
        yield Look("disk", "bad" if finding.urgent else "note", finding.line)
    if not found:
        yield Look("disk", "good", f"{shutil.disk_usage(there).free / 1e9:.0f} GB free for {folder}")


def log(folder: Path) -> Iterator[Look]:
    """Check the log."""
    try:
        health = check(folder)
    except LogMissing:
        yield Look("log", "note", f"nothing kept yet in {folder}")
        return
    for problem in health.problems:
        yield Look("log", "bad", f"{problem}: see 'spotwright log --help', restore")
    if not health.problems:
        yield Look("log", "good", f"{health.alignments} alignments, {health.events} entries, all whole")


def clock(run: Run = run_command) -> Iterator[Look]:
    """Check whether the clock was ever set."""
    found = check_clock(run)
    yield (
        Look("clock", "note", found[0].line) if found else Look("clock", "good", "set, as far as is known")
    )


def heat(run: Run = run_command) -> Iterator[Look]:
    """Check a Pi's temperature and supply."""
    found = check_supply(run)
    for finding in found:
        yield Look("heat", "bad" if finding.urgent else "note", finding.line)
    if not found:
        there = run(["vcgencmd", "get_throttled"]) is not None
        yield (
            Look("heat", "good", "cool, supply steady")
            if there
            else Look("heat", "note", "not a Pi: unknown")
        )


def network(to: str | None = None, *, port: int = 8765, timeout_s: float = 3.0) -> Iterator[Look]:
    """Check the network to phones, and to the page that a second rig sends to."""
    own = own_address()
    served = own is not None and _accepts(own, port, timeout_s)
    if own is None:
        yield Look(
            "network", "bad", "no network: phones cannot see the page; turn Wi-Fi on or plug in a cable"
        )
    else:
        yield _served(own, port) if served else _not_served(own, port)
    if to is not None:
        yield _page_elsewhere(to, timeout_s)


def _served(own: str, port: int) -> Look:
    return Look("network", "good", f"phones reach this machine as http://{own}:{port}/")


def _not_served(own: str, port: int) -> Look:
    line = f"this machine is {own}; nothing is served to phones on port {port} now ('spotwright serve --lan')"
    return Look("network", "note", line)


def _accepts(address: str, port: int, timeout_s: float) -> bool:
    """Whether something listens there."""
    try:
        with socket.create_connection((address, port), timeout=timeout_s):
            return True
    except OSError:
        return False


def _page_elsewhere(to: str, timeout_s: float) -> Look:
    try:
        with urllib.request.urlopen(to.rstrip("/") + "/static/spot.svg", timeout=timeout_s):
            return Look("page", "good", f"{to} answers")
    except (OSError, HTTPException, ValueError) as error:
        reason = " ".join(str(getattr(error, "reason", error)).split())
        return Look(
            "page", "bad", f"{to} does not answer ({reason}): is it switched on and served with --lan?"
        )


def libraries(
    names: Iterable[str] = ("numpy", "cv2", "picamera2", "gpiozero"), *, patience_s: float = 20.0
) -> Iterator[Look]:
    """Check the libraries. A picamera2 that does not load is told apart from a missing one.

    Each is loaded in its own process: one built for another numpy can do anything, even block.
    """
    for name in names:
        yield _library(name, patience_s)


def _library(name: str, patience_s: float) -> Look:
    words = f"import {name} as it; print(getattr(it, '__version__', 'there'))"
    try:
        tried = subprocess.run(
            [sys.executable, "-P", "-c", words],
            capture_output=True,
            text=True,
            timeout=patience_s,
            env=child_environment(),
        )
    except subprocess.TimeoutExpired:
        return Look(name, "bad", f"does not load within {patience_s:g} s: restart the Pi")
    if tried.returncode == 0:
        return Look(name, "good", tried.stdout.split()[-1])
    said = (tried.stderr.strip().splitlines() or [f"ended with {tried.returncode}"])[-1]
    if said == f"ModuleNotFoundError: No module named '{name}'":
        return _missing(name)
    return Look(name, "bad", f"does not load ({said}): {_INSTALL_AGAIN}")


def _missing(name: str) -> Look:
    needed_for = _OPTIONAL.get(name)
    if needed_for is None:
        return Look(name, "bad", f"not installed: {_INSTALL_AGAIN}")
    return Look(name, "note", f"not installed: needed only for {needed_for} (see docs/install.md)")
