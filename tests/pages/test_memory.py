"""Pictures that are small as files and huge as pixels: refused by their header, and one photo at a time."""

from __future__ import annotations

import base64
import io
import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from firmware.camera.replay import FolderCamera
from firmware.camera.supervised import MAX_PIXELS, child_environment
from firmware.errors import ReplayRefused
from server.pages import Config, create_app
from server.sources.base import NoPicture
from server.sources.camera_source import RigsSource
from tests.pages.doubles import Bench, Script, blank, reading
from vision import PictureRefused


def bomb(side: int = 32_000) -> bytes:
    """Return a JPEG of a few hundred bytes whose header promises that many pixels each way."""
    small = bytearray(cv2.imencode(".jpg", np.zeros((16, 16, 3), np.uint8))[1].tobytes())
    at = small.index(b"\xff\xc0")
    small[at + 5 : at + 9] = side.to_bytes(2, "big") * 2
    return bytes(small)


@pytest.mark.parametrize("path", ["sight", "readings"])
def test_a_rigs_picture_is_refused_by_its_header(tmp_path: Path, path: str) -> None:
    app = create_app(Config(data=tmp_path, source=RigsSource, services=Script().services()))
    sent: dict[str, Any] = {"rig": "far", "picture": base64.b64encode(bomb()).decode()}
    if path == "sight":
        sent |= {"station": "mirror-1"}
    else:
        mark = {"station": "mirror-1", "offset_mm": [0, 0], "sigma_mm": [1, 1], "width_mm": [4, 4]}
        sent |= {"series": "ab12cd34", "sequence": 1, "mark": {**mark, "shape": "round"}}
    client = app.test_client()
    answer = client.post(f"/api/rig/{path}", json=sent)
    assert answer.status_code == 400
    assert "megapixels" in answer.get_json()["error"]["message"]
    assert client.get("/api/frame.jpg").status_code == 409


def test_what_a_source_of_rigs_holds_is_decoded_within_limits() -> None:
    source = RigsSource()
    large = cv2.imencode(".jpg", np.zeros((1500, 1500, 3), np.uint8))[1].tobytes()  # for one of a rig's
    for picture in (bomb(), large):
        source.show(picture)
        with pytest.raises(NoPicture, match="megapixels"):
            source.frame()


def test_one_photo_at_a_time_is_held_and_read(tmp_path: Path) -> None:
    inside, most, lock = 0, 0, threading.Lock()
    script = Script()

    def read(after: object, before: object) -> Any:
        nonlocal inside, most
        with lock:
            inside, most = inside + 1, max(most, inside + 1)
        threading.Event().wait(0.02)  # long enough for the others to come in if they could
        with lock:
            inside -= 1
        return reading("mirror-1")

    script.read = read  # type: ignore[method-assign, assignment]
    app = create_app(Config(data=tmp_path, source=Bench, services=script.services()))
    statuses: list[int] = []

    def send() -> None:
        with app.test_client() as client:
            photo = (io.BytesIO(b"picture"), "a.jpg")
            statuses.append(client.post("/api/read", data={"after": photo}).status_code)

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert statuses == [200] * 8
    assert most == 1


def test_who_waits_too_long_for_the_others_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from server.pages import api

    monkeypatch.setattr(api, "PHOTO_PATIENCE_S", 0.0)
    client = create_app(Config(data=tmp_path, source=Bench, services=Script().services())).test_client()
    with api._one_photo:
        answer = client.post("/api/read", data={"after": (io.BytesIO(b"picture"), "a.jpg")})
    assert answer.status_code == 503
    assert "send yours again" in answer.get_json()["error"]["message"]


def test_a_recordings_pictures_are_limited_by_opencv_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert child_environment()["OPENCV_IO_MAX_IMAGE_PIXELS"] == str(MAX_PIXELS)
    (tmp_path / "a.jpg").write_bytes(bomb())
    cv2.imwrite(str(tmp_path / "b.jpg"), blank())

    def refuse(*_: object) -> None:
        raise cv2.error("pixels <= CV_IO_MAX_IMAGE_PIXELS")

    monkeypatch.setattr("firmware.camera.replay.cv2.imdecode", refuse)
    camera = FolderCamera(tmp_path)
    camera.start()
    with pytest.raises(ReplayRefused, match=r"a\.jpg: not a picture, damaged or too large"):
        camera.newest()


def test_the_bomb_is_one() -> None:
    from vision import load_picture

    assert len(bomb()) < 1000
    with pytest.raises(PictureRefused, match="megapixels"):
        load_picture(bomb())
