"""The JSON: right answers, and one line for everything that is wrong, with nothing written."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from server.log import Log
from server.pages import Config, create_app
from tests.pages.doubles import FRONT_LEFT, MACHINE, Bench, Script, mark, names, reading
from vision import NoReading

Json = dict[str, Any]


def fault(response: Any, status: int) -> Json:
    assert response.status_code == status, response.text
    error: Json = response.get_json()["error"]
    assert set(error) == {"path", "message"}
    assert error["message"]
    assert "\n" not in error["message"]
    assert "Traceback" not in response.text
    return error


def test_the_whole_way_to_a_mark(do: Any, client: FlaskClient, tmp_path: Path) -> None:
    do("acknowledge")
    do("hang", {"station": "mirror-1", "head_mm": [0, 1000]})
    state = do("pulse").get_json()
    assert state["card"]["trail"] == []  # the step has gone on to mirror 2
    assert state["readings"][0]["words"].startswith("Mark at mirror 1, head back left: +1.50 right")
    assert client.get("/api/state").get_json() == state
    picture = client.get(f"/log/picture/{state['readings'][0]['id']}")
    assert picture.mimetype == "image/jpeg"
    assert picture.data.startswith(b"\xff\xd8")


def test_the_next_step_of_a_document_is_the_solvers(client: FlaskClient) -> None:
    response = client.post("/api/next-step", json={"machine": MACHINE, "events": []})
    assert response.get_json()["do"] == "mark"


@pytest.mark.parametrize(
    ("body", "status", "path"),
    [
        (b"", 400, ""),
        (b"{", 400, ""),
        (b"\xff\xfe{}", 400, ""),
        (b"[" * 200_000, 400, ""),
        (b"[]", 422, ""),
        (b"{}", 422, "machine"),
        (b'{"machine": 1, "events": []}', 422, "machine"),
        (json.dumps({"machine": MACHINE, "events": [{"kind": "dance"}]}).encode(), 422, "events.0"),
        (
            json.dumps(
                {
                    "machine": MACHINE,
                    "events": [{"kind": "turn", "mount": 1, "screw": "top", "turns": float("nan")}],
                }
            ).encode(),
            422,
            "events.0.turns",
        ),
        (b" " * 2_000_001, 413, ""),
    ],
)
def test_a_document_that_cannot_be_read(client: FlaskClient, body: bytes, status: int, path: str) -> None:
    response = client.post("/api/next-step", data=body, content_type="application/json")
    assert fault(response, status)["path"].startswith(path)


def test_a_profile_with_two_contact_points_is_refused_where_it_is_wrong(client: FlaskClient) -> None:
    machine = json.loads(json.dumps(MACHINE))
    machine["mount"][1]["contact"].pop()
    response = client.post("/api/next-step", json={"machine": machine, "events": []})
    assert fault(response, 422)["path"].startswith("machine.mount.1.contact")


@pytest.mark.parametrize(
    ("action", "body", "status"),
    [
        ("hang", {}, 422),
        ("hang", {"station": "mirror-9", "head_mm": [0, 0]}, 422),
        ("hang", {"station": "mirror-1", "head_mm": [0, 0], "more": 1}, 422),
        ("hang", {"station": "mirror-1", "head_mm": [1e12, 0]}, 422),
        ("turn", {"mount": "one", "screw": "top", "turns": 1}, 422),
        ("turn", {"mount": 1, "screw": "top", "turns": "NaN"}, 422),
        ("typed", {"station": "mirror-1", "head_mm": [0, 0], "offset_mm": [1]}, 422),
        ("typed", {"station": "mirror-1", "head_mm": [0, 0], "offset_mm": [1, 1], "sigma_mm": -1}, 422),
        ("withdraw", {"event": 99}, 404),
        ("restart", {"seed": -1}, 422),
        ("pulse", {}, 409),
        ("juggle", {}, 404),
        ("pulse", [], 422),
    ],
)
def test_an_action_that_makes_no_sense(
    do: Any, tmp_path: Path, action: str, body: object, status: int
) -> None:
    fault(do(action, body), status)
    assert Log(tmp_path, access="read-only").alignments() == []


def photo(client: FlaskClient, after: bytes | None, *, before: bytes | None = None, **fields: str) -> Any:
    # written out by hand: the test client's own writer leaves a large upload's file open
    parts = [
        (name, "", text.encode())
        for name, text in (
            {"station": "mirror-2", "head_mm": "0,0"} | names(client, "offline") | fields
        ).items()
    ]
    files = {"after": after, "before": before}
    parts += [(name, f'; filename="{name}.jpg"', data) for name, data in files.items() if data is not None]
    head = 'Content-Disposition: form-data; name="{}"{}\r\n\r\n'
    body = b"".join(
        b"--edge\r\n" + head.format(name, more).encode() + data + b"\r\n" for name, more, data in parts
    )
    kind = "multipart/form-data; boundary=edge"
    return client.post("/api/do/offline/photo", data=body + b"--edge--\r\n", content_type=kind)


def test_a_photo_becomes_a_mark_offline(client: FlaskClient, do: Any, script: Script, tmp_path: Path) -> None:
    script.readings = [reading("mirror-2", mark(-2.0, 0.5))]
    do("acknowledge", of="offline")
    state = photo(client, b"picture of a card", before=b"picture before").get_json()
    assert state["readings"][0]["has_picture"]
    log = Log(tmp_path, access="read-only")
    assert log.alignments()[0]["source"] == "offline"
    assert log.events(1)[0]["event"]["head_mm"] == FRONT_LEFT
    assert log.picture(state["readings"][0]["id"]) == b"picture of a card"


@pytest.mark.parametrize(
    ("after", "fields", "status"),
    [
        (None, {}, 400),
        (b"", {}, 400),
        (b"text", {}, 400),
        (b"picture", {"station": "roof"}, 422),
        (b"picture", {"head_mm": "here"}, 422),
        (b"picture", {"head_mm": "0,0,0"}, 422),
        (b"picture", {"head_mm": "nan,0"}, 422),
        (b"picture" + bytes(40_000_000), {}, 413),
    ],
)
def test_a_bad_photo_is_one_line_and_nothing_is_saved(
    client: FlaskClient, do: Any, tmp_path: Path, after: bytes | None, fields: Json, status: int
) -> None:
    do("acknowledge", of="offline")
    fault(photo(client, after, **fields), status)
    assert Log(tmp_path, access="read-only").events(1) == []


@pytest.mark.parametrize("kind", ["no-card", "no-mark"])
def test_a_good_picture_without_card_or_mark_says_why(
    client: FlaskClient, do: Any, script: Script, tmp_path: Path, kind: Any
) -> None:
    script.readings = [NoReading("nothing to see: is the card in the picture?", kind)]
    do("acknowledge", of="offline")
    assert fault(photo(client, b"picture"), 422)["message"].startswith("nothing to see")
    assert Log(tmp_path, access="read-only").events(1) == []


def test_reading_a_photo_alone_writes_nothing(client: FlaskClient, tmp_path: Path) -> None:
    data = {"after": (io.BytesIO(b"picture"), "card.jpg")}
    answer = client.post("/api/read", data=data, content_type="multipart/form-data").get_json()
    assert answer["station"] == "mirror-1"
    assert answer["marks"][0]["offset_mm"] == [1.5, -0.5]
    assert Log(tmp_path, access="read-only").alignments() == []


def test_where_the_card_is_in_a_photo_is_told_to_who_asks(client: FlaskClient) -> None:
    data = {"after": (io.BytesIO(b"picture"), "card.jpg")}
    answer = client.post("/api/read?where=1", data=data, content_type="multipart/form-data").get_json()
    assert answer["picture"]["size_px"] == [128, 72]
    assert answer["picture"]["homography"] == [[9.0, 0.0, 0.0], [0.0, -9.0, 0.0], [0.0, 0.0, 1.0]]


def test_a_dark_camera_is_said(client: FlaskClient, bench: Bench) -> None:
    bench.dark = True
    assert fault(client.get("/api/frame.jpg"), 409)["path"] == "camera"


def test_the_newest_frame_is_a_jpeg_that_nobody_stores(client: FlaskClient) -> None:
    answer = client.get("/api/frame.jpg")
    assert answer.data.startswith(b"\xff\xd8")
    assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    "path", ["/", "/offline", "/bed", "/log", "/checks", "/today", "/today/monthly", "/laser", "/cautions"]
)
def test_the_pages_come_whole_and_empty(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert "Spotwright" in answer.text


def test_the_log_pages_show_what_happened(client: FlaskClient, do: Any) -> None:
    do("acknowledge")
    do("hang", {"station": "mirror-1", "head_mm": [0, 1000]})
    do("pulse")
    assert "/log/1" in client.get("/log").text
    assert "Mark at mirror 1" in client.get("/log/1").text
    assert "mirror-1" in client.get("/log/spotwright-log.csv").text
    assert json.loads(client.get("/log/spotwright-log.json").text)


def upload(client: FlaskClient, data: bytes) -> Any:
    sent = {"file": (io.BytesIO(data), "log.json")}
    return client.post("/log/import", data=sent, content_type="multipart/form-data")


def test_a_log_goes_to_another_device_and_is_not_taken_twice(client: FlaskClient, tmp_path: Path) -> None:
    source = lambda: Bench(kind="camera")  # noqa: E731 -- what a practice laser keeps would be looked at
    here = create_app(
        Config(data=tmp_path / "here", source=source, services=Script().services())
    ).test_client()
    hang = {"station": "mirror-1", "head_mm": [0, 1000]}
    for action, body in (("acknowledge", {}), ("hang", hang), ("pulse", {})):
        assert here.post(f"/api/do/bench/{action}", json=body | names(here)).status_code == 200
    exported = here.get("/log/spotwright-log.json").data
    other = create_app(
        Config(data=tmp_path / "other", source=Bench, services=Script().services())
    ).test_client()
    assert upload(other, exported).headers["Location"] == "/log?new=1"
    assert upload(other, exported).headers["Location"] == "/log?new=0"
    assert "Added: 1 new alignment" in other.get("/log?new=1").text
    assert "Mark at mirror 1" in other.get("/log/1").text
    assert client.get("/log/drift.svg?practice").mimetype == "image/svg+xml"


@pytest.mark.parametrize(("data", "status"), [(b"", 422), (b"{", 422), (b"\xff\xfe", 400), (b"[1, 2]", 422)])
def test_what_is_no_log_is_not_taken_in(
    client: FlaskClient, tmp_path: Path, data: bytes, status: int
) -> None:
    answer = upload(client, data)
    assert answer.status_code == status
    assert 'role="alert"' in answer.text
    assert Log(tmp_path, access="read-only").alignments() == []


@pytest.mark.parametrize(
    "path", ["/log/77", "/today/nothing", "/log/spotwright-log.xls", "/nothing", "/log/picture/5"]
)
def test_what_is_not_there_is_a_page_that_says_so(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "Back to the bench" in answer.text


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("POST", "/", 405),
        ("DELETE", "/api/state", 405),
        ("GET", "/api/next-step", 405),
        ("POST", "/log", 405),
    ],
)
def test_wrong_methods(client: FlaskClient, method: str, path: str, status: int) -> None:
    assert client.open(path, method=method).status_code == status


def test_an_unforeseen_fault_is_one_line_too(
    client: FlaskClient, bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken() -> None:
        raise RuntimeError("a secret of the inside")

    monkeypatch.setattr(bench, "frame", broken)
    error = fault(client.get("/api/frame.jpg"), 500)
    assert "secret" not in error["message"]
    assert "a secret of the inside" in caplog.text
