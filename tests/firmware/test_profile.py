"""The rig's profile: what is connected, all of it optional; every fault is one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware import ProfileRefused
from firmware.panel.parts import Pins
from firmware.profile import RigProfile, camera_named, load_profile, profile_for


def written(folder: Path, text: str) -> Path:
    path = folder / "rig.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_installed_profile_is_valid(root: Path) -> None:
    assert load_profile(root / "firmware" / "install" / "rig.toml") == RigProfile()


def test_its_commented_pins_are_valid_too(root: Path, tmp_path: Path) -> None:
    text = (root / "firmware" / "install" / "rig.toml").read_text("utf-8")
    lines = [
        line.removeprefix("#") if line.startswith("#[") or (line.startswith("#") and "=" in line) else line
        for line in text.splitlines()
    ]
    loaded = load_profile(written(tmp_path, "\n".join(lines)))
    assert len(loaded.used_pins().used()) == 5


def test_everything_at_once(tmp_path: Path) -> None:
    camera = 'name = "mirror-2"\n[camera]\nkind = "usb"\ndevice = "/dev/video2"\n'
    text = camera + '[pins]\nfoot = 22\n[panel]\nfilm = "dark"\n'
    loaded = load_profile(written(tmp_path, text))
    assert (loaded.name, loaded.camera_name(), loaded.panel.film) == ("mirror-2", "usb:/dev/video2", "dark")
    assert loaded.used_pins() == Pins(foot=22)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = ", "not TOML"),
        ('name = "a b"', "name"),
        ("[pins]\nring = 99", "pins.ring"),
        ("[pins]\nbell = 4", "pins.bell"),
        ("[pins]\nring = 4\nfoot = 4", "share a pin"),
        ('[camera]\nkind = "daguerreotype"', "camera.kind"),
    ],
)
def test_a_fault_is_one_line_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ProfileRefused, match=said) as refusal:
        load_profile(written(tmp_path, text))
    assert "\n" not in str(refusal.value)
    assert "rig.toml" in str(refusal.value)


def test_without_a_file_the_rig_is_bare_but_a_named_one_must_be_there(tmp_path: Path) -> None:
    assert profile_for(tmp_path) == RigProfile()
    with pytest.raises(ProfileRefused, match="No such file"):
        profile_for(tmp_path, tmp_path / "other.toml")


@pytest.mark.parametrize(
    ("text", "kind", "options"),
    [
        ("pi", "pi", {}),
        ("pi:1", "pi", {"number": 1}),
        ("usb:/dev/video2", "usb", {"device": "/dev/video2"}),
        ("usb:2", "usb", {"device": 2}),
        ("replay:/a:b", "replay", {"source": "/a:b"}),
    ],
)
def test_a_camera_is_named_as_on_the_command_line(text: str, kind: str, options: dict[str, object]) -> None:
    assert camera_named(text) == (kind, options)


def test_the_clip_s_distance_goes_to_the_camera_that_can_use_it(tmp_path: Path) -> None:
    loaded = load_profile(written(tmp_path, "[camera]\nfocus_dioptres = 19.2\nupside_down = true\n"))
    assert loaded.camera_name() == "pi"
    assert loaded.lens_options("pi") == {"focus_dioptres": 19.2, "upside_down": True}
    assert loaded.lens_options("usb") == {"upside_down": True}
    assert loaded.lens_options("replay") == RigProfile().lens_options("pi") == {}
    with pytest.raises(ProfileRefused, match="focus_dioptres"):
        load_profile(written(tmp_path, "[camera]\nfocus_dioptres = 900"))
