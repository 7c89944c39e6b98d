"""Event streams: a first event at once, the state on change, and an end when the browser has gone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from server.log import Log
from server.pages.stream import LIFE_S, Streams, TooMany
from server.session.session import Session
from server.session.snapshot import LiveMark
from tests.pages.doubles import MACHINE, Bench, Script


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session(Log(tmp_path), Bench(), machine=MACHINE, services=Script().services())


def in_order(text: str) -> Any:
    """Return the JSON with its objects as lists of pairs, so that their order counts."""
    return json.loads(text, object_pairs_hook=list)


def opened(streams: Streams, session: Session, tab: str, *, gone: bool = False) -> Iterator[str]:
    return streams.open(tab, session, lambda: {"version": session.version}, lambda: gone)


def test_a_comment_comes_at_once_then_the_state(session: Session) -> None:
    stream = opened(Streams(limit=2), session, "a")
    assert next(stream).startswith(": ")
    event, data = next(stream).strip().split("\n")
    assert event == "event: state"
    assert json.loads(data.removeprefix("data: ")) == {"version": session.version}


def test_a_change_is_sent(session: Session) -> None:
    stream = opened(Streams(limit=2), session, "a")
    next(stream), next(stream)
    session.acknowledge()
    assert json.loads(next(stream).split("data: ")[1])["version"] == session.version


def test_a_page_hears_that_the_rig_is_there_and_where_the_mark_is_now(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.pages.stream.BEAT_S", 0.0)
    rig = client.application.extensions["spotwright"].sessions["bench"].rig
    with client.get("/api/events?of=bench&tab=t1") as answer:
        parts = iter(answer.response)
        next(parts), next(parts)
        assert next(parts) == b"event: beat\ndata: {}\n\n"
        rig.set_live(LiveMark("mirror-1", (1.0, 2.0), (0.1, 0.1), 4.0, 5.0))
        assert next(parts).startswith(b"event: live\ndata: {")
        assert next(parts) == b"event: beat\ndata: {}\n\n"


def test_streams_are_counted_and_given_back(session: Session) -> None:
    streams = Streams(limit=1)
    first = opened(streams, session, "a")
    next(first)
    assert len(streams) == 1
    with pytest.raises(TooMany):
        opened(streams, session, "b")
    before = session.version
    first.close()
    assert len(streams) == 0
    assert session.version > before  # another page may be in control now, and is told
    next(opened(streams, session, "b"))


def test_a_page_that_comes_back_ends_its_old_stream(session: Session) -> None:
    streams = Streams(limit=1)
    old = opened(streams, session, "a")
    next(old)
    new = opened(streams, session, "a")
    next(new)
    assert list(islice(old, 1)) == []
    assert len(streams) == 1
    assert "state" in next(new)


def test_who_has_hung_up_is_let_go(session: Session) -> None:
    streams = Streams(limit=1)
    stream = opened(streams, session, "a", gone=True)
    next(stream)
    assert list(islice(stream, 1)) == []
    assert len(streams) == 0


def test_no_stream_lives_for_ever(session: Session) -> None:
    now = [0.0]
    streams = Streams(limit=1, clock=lambda: now[0])
    stream = opened(streams, session, "a")
    next(stream), next(stream)
    now[0] = LIFE_S + 1
    session.acknowledge()
    assert list(islice(stream, 3))[1:] == []


def test_a_stream_never_begun_holds_no_place(session: Session) -> None:
    streams = Streams(limit=1)
    opened(streams, session, "a").close()  # type: ignore[attr-defined]
    next(opened(streams, session, "b"))


def test_the_route_streams(client: FlaskClient) -> None:
    answer = client.get("/api/events?of=bench&tab=t1")
    assert answer.mimetype == "text/event-stream"
    parts = iter(answer.response)
    assert next(parts).startswith(b": here")
    assert next(parts).startswith(b"event: state")
    answer.close()


def test_the_stream_and_the_answers_tell_a_state_in_the_same_order(client: FlaskClient, do: Any) -> None:
    """The page knows a turn that it follows, or choices that it shows, again by their text."""
    do("acknowledge")
    stream = client.get("/api/events?of=bench&tab=t1")
    parts = iter(stream.response)
    next(parts)
    streamed = next(parts).decode().split("data: ")[1]
    asked = client.get("/api/state").text
    stream.close()
    assert in_order(streamed) == in_order(asked)


def test_twenty_pages_that_draw_a_change_cost_one_state(client: FlaskClient, do: Any) -> None:
    shared = client.application.extensions["spotwright"]
    made = list[int]()
    session = shared.sessions["bench"]
    snapshot = session.snapshot
    session.snapshot = lambda: (made.append(1), snapshot())[1]
    states = [shared.shown("bench", units="mm") for _ in range(20)]
    assert len(made) == 1 and all(state is states[0] for state in states)
    inches = shared.shown("bench", units="inch")
    assert (len(made), inches["units"]) == (2, "inch")
    do("acknowledge")
    assert shared.shown("bench", units="mm")["version"] > states[0]["version"]
