import subprocess
import sys

import pytest

import firmware
from firmware import KINDS, RigError, UnknownCamera, open_camera
from firmware import errors as errors_module


def test_what_is_exported_is_there_and_nothing_else_of_ours() -> None:
    own = {n for n, v in vars(firmware).items() if getattr(v, "__module__", "").startswith("firmware.")}
    assert own | {"KINDS"} == set(firmware.__all__)


@pytest.mark.parametrize("name", sorted(set(errors_module.__all__) - {"RigError"}))
def test_every_error_is_the_rig_s_and_a_builtin_one(name: str) -> None:
    error = getattr(errors_module, name)
    assert issubclass(error, RigError)
    assert {OSError, ValueError, RuntimeError} & set(error.__mro__)


def test_an_unknown_kind_names_the_known_ones() -> None:
    with pytest.raises(UnknownCamera, match="no camera of kind 'film': choose one of fake, pi, replay, usb"):
        open_camera("film")


def test_the_factory_opens_what_was_asked_for(tmp_path) -> None:
    assert open_camera("fake").kind == "fake"
    assert open_camera("usb", device=7).kind == "usb"
    assert open_camera("pi").kind == "pi"
    (tmp_path / "1.png").write_bytes(b"x")
    assert open_camera("replay", source=tmp_path).kind == "replay"
    assert set(KINDS) == {"fake", "pi", "replay", "usb"}


def test_nothing_of_the_pi_is_imported_without_need() -> None:
    code = (
        "import firmware, firmware.camera.supervised, firmware.panel.panel, firmware.health, sys;"
        "firmware.open_camera('fake'); print({'picamera2', 'gpiozero', 'libcamera'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
