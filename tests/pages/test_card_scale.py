"""The scale of the printed cards, given on a page: kept, told to all pages, and each photo corrected."""

from __future__ import annotations

import errno
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from server.log import back_up, restore
from server.pages import Config, create_app
from server.session import card_scale
from server.sources.base import OfflineSource

PHOTO = (Path(__file__).parents[2] / "docs" / "pictures" / "card-mirror-2-after.jpg").read_bytes()


def opened(folder: Path, **more: Any) -> FlaskClient:
    return create_app(Config(data=folder, **more)).test_client()


def offset_mm(client: FlaskClient) -> Any:
    answer = client.post("/api/read", data={"after": (io.BytesIO(PHOTO), "after.jpg")})
    return answer.get_json()["marks"][0]["offset_mm"]


def test_every_photo_is_corrected_from_then_on_and_after_a_restart(tmp_path: Path) -> None:
    client = opened(tmp_path)
    meant = offset_mm(client)
    assert client.post("/api/card-scale", json={"bars_mm": [49.0, 49.5]}).status_code == 200
    for again in (client, opened(tmp_path)):
        assert offset_mm(again) == pytest.approx(np.multiply(meant, (0.98, 0.99)), abs=0.01)
        assert again.get("/api/state?of=offline").get_json()["bars_mm"] == [49.0, 49.5]
    assert opened(tmp_path, bars_mm=(50.0, 50.0)).get("/api/state").get_json()["bars_mm"] == [50.0, 50.0]
    assert client.post("/api/card-scale", json={"bars_mm": None}).status_code == 200
    assert offset_mm(client) == pytest.approx(meant)


def test_a_full_disk_is_said_and_changes_no_scale(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    client = opened(tmp_path)
    monkeypatch.setattr(card_scale, "write_for_good", full)
    answer = client.post("/api/card-scale", json={"bars_mm": [49.0, 49.5]})
    assert answer.status_code == 503 and "the disk is full" in answer.get_json()["error"]["message"]
    assert client.get("/api/state").get_json()["bars_mm"] is None


def test_a_backup_takes_it_along_and_it_is_no_laser(tmp_path: Path) -> None:
    client = opened(tmp_path / "data")
    client.post("/api/card-scale", json={"bars_mm": [49.0, 49.5]})
    back_up(tmp_path / "data", tmp_path / "stick")
    restore(tmp_path / "stick", tmp_path / "again")
    again = opened(tmp_path / "again")
    assert again.get("/api/state").get_json()["bars_mm"] == [49.0, 49.5]
    assert "Laser: practice 1600" in again.get("/laser").text


def test_all_pages_are_told(tmp_path: Path) -> None:
    client = opened(tmp_path)
    before = [client.get(f"/api/state?of={of}").get_json()["version"] for of in ("bench", "offline")]
    client.post("/api/card-scale", json={"bars_mm": [49.0, 49.5]})
    after = [client.get(f"/api/state?of={of}").get_json()["version"] for of in ("bench", "offline")]
    assert all(new > old for new, old in zip(after, before, strict=True))


@pytest.mark.parametrize(
    ("bars_mm", "said"),
    [
        ([5.0, 5.0], "a check bar of 5 mm: on a small card it should measure 20 mm"),
        ([50.0, 44.0], "a check bar of 44 mm: on a standard card it should measure 50 mm"),
        ([50.0], "bars_mm.1: is missing; add it"),
        (["x", 50.0], "bars_mm.0: must be a number"),
        ([-50.0, 50.0], "bars_mm.0: must be more than 0"),
    ],
)
def test_what_cannot_be_a_check_bar_is_refused_and_not_kept(
    tmp_path: Path, bars_mm: list[Any], said: str
) -> None:
    client = opened(tmp_path)
    answer = client.post("/api/card-scale", json={"bars_mm": bars_mm})
    assert answer.status_code == 422
    assert answer.get_json()["error"]["path"].startswith("bars_mm")
    assert answer.get_json()["error"]["message"].startswith(said)
    assert client.get("/api/state").get_json()["bars_mm"] is None
    assert not (tmp_path / "lasers").exists()


@pytest.mark.parametrize(
    ("source", "shown"), [({}, False), ({"source": OfflineSource}, True)], ids=["practice", "another"]
)
def test_the_bench_asks_for_it_only_where_its_cards_are_printed(
    tmp_path: Path, source: dict[str, Any], shown: bool
) -> None:
    client = opened(tmp_path, **source)
    assert ('id="scale-form"' in client.get("/").text) is shown
    assert 'id="scale-form"' in client.get("/offline").text
