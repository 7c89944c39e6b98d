"""Who may speak to the pages: hosts, other sites, the access code, and what every answer carries."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from server.log import Settings
from server.pages import Config, create_app
from server.pages.guard import (
    MOST_ASKERS,
    AccessGuard,
    _host_known,
    is_code,
    keep_secret,
    new_code,
    search_domains,
)
from tests.pages.doubles import Bench, Script, names

PAGES = [
    "/",
    "/offline",
    "/bed",
    "/checks",
    "/today",
    "/today/monthly",
    "/log",
    "/laser",
    "/laser/new",
    "/cautions",
    "/nothing",
]


@pytest.fixture
def lan(tmp_path: Path) -> FlaskClient:
    config = Config(data=tmp_path, source=Bench, code="abcd-efgh", services=Script().services())
    return create_app(config).test_client()


@pytest.mark.parametrize("host", ["localhost", "localhost:8000", "127.0.0.1:8000", "[::1]:8000"])
def test_loopback_names_are_answered(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "192.168.1.5", "[bad", "127.0.0.1.nip.io"]
)
def test_other_names_are_refused_on_loopback(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 421
    assert client.get("/api/state", headers={"Host": host}).status_code == 421


def test_on_the_network_addresses_are_answered_but_no_foreign_name(lan: FlaskClient) -> None:
    assert lan.get("/door", headers={"Host": "192.168.1.5:8000"}).status_code == 200
    assert lan.get("/door", headers={"Host": "evil.example"}).status_code == 421


@pytest.mark.parametrize(
    ("own", "name", "known"),
    [
        ("rig", "rig", True),
        ("rig", "Rig.LOCAL:8765", True),
        ("rig", "rig.local.", True),  # the same name, written absolutely
        ("rig", "rig.lan", True),
        ("rig", "rig.home", True),
        ("rig", "rig.home.arpa", True),
        ("rig", "rig.internal:8765", True),
        ("rig", "rig.router.example", True),  # the domain that the router tells
        ("rig", "rig.workshop.example", True),
        ("rig.workshop.example", "rig.workshop.example", True),  # a whole name as the machine's own
        ("rig.elsewhere.example", "rig.local", True),
        ("rig", "rig.evil.example", False),
        ("rig", "router.example", False),
        ("rig", "evil.router.example", False),  # another machine's name
        ("rig", "evil.lan", False),
        ("rig", "rig.evil.lan", False),
        ("rig", "rig.lan.evil.example", False),
        ("rig", "rig.example", False),
        ("rig", "rig..lan", False),
        ("rig", "rig.lan..", False),
        ("rig", "", False),
        ("rig", ".", False),
        ("", "", False),
        ("", ".lan", False),
    ],
)
def test_the_machine_s_own_name_in_the_networks_own_domain_is_known(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, own: str, name: str, known: bool
) -> None:
    resolver = tmp_path / "resolv.conf"
    resolver.write_text(
        "# made by the network\nnameserver 192.0.2.1\nsearch Router.example workshop.example.\n"
    )
    monkeypatch.setattr("server.pages.guard.RESOLVER", resolver)
    monkeypatch.setattr("socket.gethostname", lambda: own)
    assert _host_known(name, lan=True, hosts=()) is known
    assert not _host_known(name, lan=False, hosts=())


@pytest.mark.parametrize(
    ("text", "domains"),
    [
        (None, []),
        ("", []),
        ("nameserver 192.0.2.1\n", []),
        ("domain one.example\nsearch two.example three.example\n", ["two.example", "three.example"]),
        ("search .\n", []),
        ("#search evil.example\n search evil.example\nsearchevil evil.example\nsearch\n", []),
        ("search\t\xff.Example\n", ["\xff.example"]),
    ],
)
def test_search_domains_are_read_as_the_system_reads_them(
    tmp_path: Path, text: str | None, domains: list[str]
) -> None:
    """resolv.conf(5): of several such lines the last one counts; a line begins with its keyword."""
    resolver = tmp_path / "resolv.conf"
    if text is not None:
        resolver.write_text(text, "utf-8")
    assert search_domains(resolver) == domains


def test_a_proxys_name_is_answered_when_it_was_given(tmp_path: Path) -> None:
    config = Config(
        data=tmp_path, source=Bench, hosts=("laser.workshop.example",), services=Script().services()
    )
    client = create_app(config).test_client()
    assert client.get("/", headers={"Host": "laser.workshop.example"}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": "http://localhost"}, 200),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "http://localhost"}, 200),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)
def test_posts_from_other_sites_are_refused(
    client: FlaskClient, headers: dict[str, str], status: int
) -> None:
    answer = client.post("/api/do/bench/acknowledge", json=names(client), headers=headers)
    assert answer.status_code == status


@pytest.mark.parametrize("path", [*PAGES, "/api/state", "/static/bench.js"])
def test_every_answer_carries_the_policy(client: FlaskClient, path: str) -> None:
    with client.get(path) as answer:
        headers = answer.headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"


@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_inline_and_nothing_comes_from_elsewhere(client: FlaskClient, path: str) -> None:
    text = client.get(path).text
    assert not re.search(r"<script(?![^>]*\bsrc=)", text)
    assert not re.search(r"<style|\sstyle=|\son\w+=", text)
    assert not re.search(r"""(?:src|href|action)=["'](?:https?:)?//""", text)


def test_scripts_and_looks_name_no_other_host(app: Flask) -> None:
    texts = (file for file in Path(app.static_folder or "").iterdir() if file.suffix != ".png")
    for file in texts:
        hosts = re.findall(r"https?://[\w.]+", file.read_text("utf-8"))
        assert set(hosts) <= {"http://www.w3.org"}, file.name  # the name of SVG, never fetched


def test_without_the_code_nothing_is_shown(lan: FlaskClient) -> None:
    assert lan.get("/").headers["Location"] == "/door"
    assert lan.get("/api/state").status_code == 401
    assert lan.get("/api/frame.jpg").status_code == 401
    assert lan.post("/api/next-step", json={}).status_code == 401
    assert lan.get("/log/spotwright-log.csv").status_code == 302


def test_the_code_opens_and_the_device_is_remembered(lan: FlaskClient) -> None:
    answer = lan.post("/door", data={"code": " ABCD efgh "})
    assert answer.status_code == 302
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "abcd" not in cookie
    assert lan.get("/").status_code == 200


def test_a_wrong_code_does_not_open_and_guessing_is_slowed_down(lan: FlaskClient) -> None:
    assert lan.post("/door", data={"code": "x"}).status_code == 403
    for _ in range(9):
        lan.post("/door", data={"code": "abcd-efgi"})
    assert lan.post("/door", data={"code": "abcd-efgh"}).status_code == 429
    assert lan.get("/api/state").status_code == 401


def test_guessing_may_go_on_after_a_minute() -> None:
    now = [0.0]
    access = AccessGuard("abcd-efgh", "secret", clock=lambda: now[0])
    for _ in range(10):
        assert access.opens("nope") is False
    assert access.opens("abcdefgh") is None
    now[0] = 61.0
    assert access.opens("abcdefgh") is True


def browser(lan: FlaskClient) -> FlaskClient:
    """Return another device at the same address, as a browser comes: it sees the form first."""
    client = lan.application.test_client()
    assert client.get("/", follow_redirects=True).status_code == 200
    return client


def test_another_devices_wrong_codes_lock_nobody_else_out(lan: FlaskClient) -> None:
    accepted = 0
    guesser, others = browser(lan), lan.application.test_client()
    for number in range(12):
        guesser.post("/door", data={"code": f"wrong-{number}"})
    for number in range(60):
        assert guesser.post("/door", data={"code": f"wrong-{number}"}).status_code == 429
        others.post("/door", data={"code": f"wrong-{number}"})  # and one that tells nothing of itself
        accepted += browser(lan).post("/door", data={"code": "abcd-efgh"}).status_code == 302
    assert accepted == 60


@pytest.mark.parametrize("own", [{}, {"X-Spotwright-Device": "mirror-2 ab12"}])
def test_another_addresss_wrong_codes_lock_nobody_else_out(lan: FlaskClient, own: dict[str, str]) -> None:
    def sight(code: str, address: str) -> int:
        headers = {"Authorization": f"Bearer {code}", **own}
        there = {"REMOTE_ADDR": address}
        return lan.get("/api/state", headers=headers, environ_overrides=there).status_code

    statuses = []
    for number in range(60):
        wrong = [sight(f"wrong-{number}-{n}", "192.0.2.66") for n in range(2 if number else 12)]
        assert wrong[-1] == 429
        statuses.append(sight("abcd-efgh", "192.0.2.7"))
    assert statuses == [200] * 60


def test_an_old_code_that_a_rig_repeats_counts_once(lan: FlaskClient) -> None:
    old, right = ({"Authorization": f"Bearer {code}"} for code in ("old-code", "abcd-efgh"))
    assert [lan.get("/api/state", headers=old).status_code for _ in range(30)] == [401] * 30
    assert lan.get("/api/state", headers=right).status_code == 200


def test_who_makes_up_devices_does_not_fill_the_memory() -> None:
    access = AccessGuard("abcd-efgh", "secret")
    for number in range(MOST_ASKERS + 10):
        assert access.opens("wrong", f"made up {number}") is False
    assert len(access._wrong) == MOST_ASKERS


@pytest.mark.parametrize("code", ["", "-", "---", "  - ", "\udc80", "é"])
def test_no_code_is_no_code(code: str) -> None:
    assert AccessGuard("-", "secret").opens(code) is False


NO_URLS = ["http://[", "http://[::1", "//[", "http://[v1.x]", "http://a]b", "\x7f", "[", "http://[::1]]:8"]


@pytest.mark.parametrize("text", NO_URLS)
def test_an_origin_that_is_no_url_is_another_site(client: FlaskClient, text: str) -> None:
    answer = client.post("/api/do/bench/acknowledge", json={}, headers={"Origin": text})
    assert answer.status_code == 403


@pytest.mark.parametrize(
    "text", [*NO_URLS, "localhost:x", "localhost:99999999999", "a:b:c", "é", "%", "[::1%5]"]
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_host_that_is_no_host_is_none_of_ours(lan: FlaskClient, text: str, method: str) -> None:
    for path in ("/", "/api/state", "/nothing"):
        answer = lan.open(path, method=method, headers={"Host": text, "Origin": "http://localhost"})
        assert answer.status_code in (401, 403, 404, 421), answer.status_code


@pytest.mark.parametrize("text", ["[", "[x", "[::1", "a]"])
def test_brackets_of_no_address_are_no_host(text: str) -> None:
    # some versions of werkzeug hand such a Host on as it came
    assert not _host_known(text, lan=True, hosts=())


@pytest.mark.parametrize("token", [None, "", "ümlaut", "0" * 64])
def test_a_made_up_cookie_opens_nothing(token: str | None) -> None:
    assert not AccessGuard("abcd-efgh", "secret").knows(token)


def test_another_code_forgets_all_devices() -> None:
    assert not AccessGuard("new", "secret").knows(AccessGuard("old", "secret").token())


def test_a_secret_is_made_once_and_readable_by_the_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "access-code"
    code = keep_secret(path, new_code)
    assert re.fullmatch(r"[a-z2-9]{3}-[a-z2-9]{3}-[a-z2-9]{3}", code)
    assert keep_secret(path, new_code) == code
    assert path.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("code", ["abc-def-ghj", "ABCDEFGHJ", "abc def ghj\n", "0123456789"])
def test_a_code_of_forty_bits_is_taken(code: str) -> None:
    assert is_code(code) == code.strip()  # nine of 31 signs: 9 * log2(31) = 44.6 bits; eight: 39.6


@pytest.mark.parametrize(
    "code", ["abc-def-gh", "abcdefgh", "aaa-bbb-ccc", "AaAaBbBbCc", "äbcdefghij", "abc_def_ghj", "----------"]
)
def test_a_code_that_could_be_guessed_is_replaced_and_said(tmp_path: Path, code: str) -> None:
    path, found = tmp_path / "access-code", Settings()
    path.write_text(code)
    assert re.fullmatch(r"[a-z2-9]{3}-[a-z2-9]{3}-[a-z2-9]{3}", keep_secret(path, new_code, found))
    (line,) = found.faults
    assert line.startswith(f"{path}: ") and line.endswith("a new one was made")
