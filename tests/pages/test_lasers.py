"""Profiles of lasers: kept when they are sound, refused in one line when not."""

from __future__ import annotations

import errno
import io
from importlib import resources
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from server.pages import lasers as lasers_module
from server.pages.lasers import Lasers
from server.session.session import Refused

TOML = resources.files("server.practice").joinpath("practice-1600.toml").read_text("utf-8")
MINE = TOML.replace('name = "practice 1600"', 'name = "By the window"', 1)


def test_without_any_the_practice_profile_is_offered(tmp_path: Path) -> None:
    assert Lasers(tmp_path).names() == ["practice 1600"]


def test_a_profile_is_kept_and_current(tmp_path: Path) -> None:
    Lasers(tmp_path).add_toml(MINE.encode())
    again = Lasers(tmp_path)
    assert again.current()["name"] == "By the window"
    again.choose("practice 1600")
    assert again.names() == ["practice 1600", "By the window"]
    again.choose("By the window")
    assert again.names()[0] == "By the window"


def test_names_of_any_script_are_told_apart(tmp_path: Path) -> None:
    lasers = Lasers(tmp_path)
    for name in ("лазер", "雷射", "../../etc"):
        lasers.add_toml(TOML.replace('"practice 1600"', f'"{name}"', 1).encode())
    assert sorted(lasers.names()) == sorted(["лазер", "雷射", "../../etc"])
    assert {path.parent for path in tmp_path.rglob("*")} == {tmp_path}


@pytest.mark.parametrize(
    ("text", "path", "status"),
    [
        ("", "name", 422),
        ("name = ", "profile", 400),
        ("\udcff", "profile", 400),
        (TOML.replace("width_mm = 1600", "width_mm = -1600", 1), "bed.width_mm", 422),
        (TOML.replace("width_mm = 1600", "width_mm = nan", 1), "bed.width_mm", 422),
        (TOML.replace('corner = "back-left"', 'corner = "middle"', 1), "path.corner", 422),
        ("#" * 100_001, "profile", 413),
        ("a = " + "[" * 30_000 + "]" * 30_000, "profile", 400),
    ],
)
def test_an_unsound_profile_is_refused_and_not_kept(
    tmp_path: Path, text: str, path: str, status: int
) -> None:
    lasers = Lasers(tmp_path / "lasers")
    with pytest.raises(Refused) as refusal:
        lasers.add_toml(text.encode("utf-8", "surrogateescape"))
    assert refusal.value.path.startswith(path)
    assert refusal.value.status == status
    assert not (tmp_path / "lasers").exists()


def test_the_page_takes_a_file_and_the_offline_page_uses_it(client: FlaskClient) -> None:
    sent = {"file": (io.BytesIO(MINE.encode()), "mine.toml")}
    answer = client.post("/laser", data=sent, content_type="multipart/form-data")
    assert answer.status_code == 303
    assert client.get("/api/state?of=offline").get_json()["laser"] == "By the window"
    assert client.get("/api/state?of=bench").get_json()["laser"] == "practice 1600"


def test_a_full_disk_is_said_and_changes_no_laser(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(lasers_module, "write_for_good", full)
    answer = client.post("/laser", data={"toml": MINE})
    assert answer.status_code == 503 and "the disk is full" in answer.text
    assert client.get("/api/state?of=offline").get_json()["laser"] == "practice 1600"


def test_the_page_says_what_is_wrong_and_keeps_what_was_typed(client: FlaskClient) -> None:
    answer = client.post("/laser", data={"toml": 'name = "half"'})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert "half" in answer.text
