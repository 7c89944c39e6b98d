"""One page has the hands; the others watch, and may take them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from server.log import Log
from server.pages.hands import Hands
from server.pages.stream import Streams
from server.session.session import Refused, Session
from tests.pages.doubles import MACHINE, Bench, Script


@pytest.fixture
def streams() -> Streams:
    return Streams(limit=9)


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session(Log(tmp_path), Bench(), machine=MACHINE, services=Script().services())


def listening(streams: Streams, session: Session, tab: str) -> Iterator[str]:
    stream = streams.open(f"bench:{tab}", session, dict, lambda: False)
    next(stream)
    return stream


def test_who_acts_first_has_them_and_the_next_is_refused(streams: Streams, session: Session) -> None:
    hands, _streams = Hands(streams), [listening(streams, session, tab) for tab in "ab"]
    hands.use("bench", "a")
    hands.use("bench", "a")
    assert hands.holder("bench") == "a"
    with pytest.raises(Refused, match="take them here") as refusal:
        hands.use("bench", "b")
    assert (refusal.value.status, refusal.value.path) == (409, "hands")
    hands.take("bench", "b")
    hands.use("bench", "b")
    assert hands.holder("offline") is None


def test_a_page_that_has_gone_holds_nothing_and_the_others_hear_of_it(
    streams: Streams, session: Session
) -> None:
    hands, stream = Hands(streams), listening(streams, session, "a")
    hands.use("bench", "a")
    before = session.version
    stream.close()  # type: ignore[attr-defined]
    assert session.version > before
    assert hands.holder("bench") is None
    hands.use("bench", "b")
