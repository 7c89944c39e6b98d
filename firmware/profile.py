"""The rig's own profile (TOML): its name, its camera, its pins. Everything in it is optional."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from firmware.errors import ProfileRefused
from firmware.panel.parts import Pins

__all__ = ["FILE_NAME", "RigProfile", "camera_named", "load_profile", "profile_for"]

FILE_NAME, LONGEST = "rig.toml", 100_000  # bytes
_PIN = Annotated[int, Field(ge=2, le=27)]  # the BCM numbers that the 40-pin header brings out


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _CameraTable(_Strict):
    kind: Literal["pi", "usb"] = "pi"
    number: Annotated[int, Field(ge=0, le=9)] | None = None
    device: str | None = None
    focus_dioptres: Annotated[float, Field(ge=0.0, le=40.0)] | None = None
    upside_down: bool = False

    def named(self) -> str:
        where = self.device if self.kind == "usb" else self.number
        return self.kind if where is None else f"{self.kind}:{where}"


class _PinsTable(_Strict):
    ring: _PIN | None = None
    status: _PIN | None = None
    sounder: _PIN | None = None
    foot: _PIN | None = None
    lid: _PIN | None = None


class _PanelTable(_Strict):
    silent: bool = False
    film: Literal["light", "dark"] = "light"


class RigProfile(_Strict):
    """What is connected to this rig.

    name : how other machines call it. camera : None where the command line says which; its ``focus_dioptres``
    is 1 / distance (m) from lens to card, which the clip's table says; ``upside_down`` turns its pictures.
    pins : BCM numbers.
    panel.silent : no sound. panel.film : ``dark`` keeps the lamp ring off while a mark is awaited.
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$")] = "rig"
    camera: _CameraTable | None = None
    pins: _PinsTable = _PinsTable()
    panel: _PanelTable = _PanelTable()

    def used_pins(self) -> Pins:
        """Return the pins as the panel takes them."""
        return Pins(**self.pins.model_dump())

    def camera_name(self) -> str | None:
        """Return the camera as the command line names one, or None."""
        return self.camera.named() if self.camera else None

    def lens_options(self, kind: str) -> dict[str, Any]:
        """Return the options for ``open_camera`` that the clip decides, for a camera of that kind."""
        if self.camera is None or kind not in ("pi", "usb"):
            return {}
        options: dict[str, Any] = {"upside_down": True} if self.camera.upside_down else {}
        if kind == "pi" and self.camera.focus_dioptres is not None:
            options["focus_dioptres"] = self.camera.focus_dioptres
        return options


def load_profile(path: Path) -> RigProfile:
    """Return the profile in that file; raises ProfileRefused, one line that says where and what."""
    try:
        with path.open("rb") as file:
            text = file.read(LONGEST + 1)
        if len(text) > LONGEST:
            raise ProfileRefused(f"{path}: longer than {LONGEST // 1000} kB: not a rig's profile")
        data = tomllib.loads(text.decode("utf-8-sig"))
    except OSError as error:
        raise ProfileRefused(f"{path}: {error.strerror}") from None
    except RecursionError:
        raise ProfileRefused(f"{path}: not TOML: nested too deeply") from None
    except ProfileRefused:
        raise
    except ValueError as error:  # also a path that none can be, and a number of thousands of digits
        raise ProfileRefused(f"{path}: not TOML: {error}") from None
    try:
        profile = RigProfile.model_validate(data)
        profile.used_pins().used()
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ProfileRefused(f"{path}: {where}: {first['msg']}") from None
    except ValueError as error:
        raise ProfileRefused(f"{path}: {error}") from None
    return profile


def profile_for(
    folder: Path, named: Path | None = None, *, report: Callable[[str], object] | None = None
) -> RigProfile:
    """Return the profile in file ``named``, else in ``rig.toml`` of that folder, else that of a bare rig.

    report : gets the line that says what is wrong with a ``rig.toml`` that nobody named, and a bare rig's
    profile is used; without it, as for ``named``, raises ProfileRefused.
    """
    path = named or folder / FILE_NAME
    if not named and not path.exists():
        return RigProfile()
    try:
        return load_profile(path)
    except ProfileRefused as error:
        if named or report is None:
            raise
        report(f"{error}; a bare rig's profile is used")
        return RigProfile()


def camera_named(text: str) -> tuple[str, dict[str, Any]]:
    """Return (kind, options of ``open_camera``) for ``pi``, ``pi:1``, ``usb:DEVICE``, ``replay:FOLDER`` …"""
    kind, _, where = text.partition(":")
    if kind == "replay":
        return kind, {"source": where or "."}
    if not where:
        return kind, {}
    number = int(where) if where.isdecimal() and len(where) < 4 else where
    return kind, {"number" if kind == "pi" else "device": number}
