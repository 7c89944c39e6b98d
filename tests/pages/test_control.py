"""One page is in control; the others watch, and may take control."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from server.log import Log
from server.pages.control import Control
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


def test_who_acts_first_is_in_control_and_the_next_is_refused(streams: Streams, session: Session) -> None:
    control, _streams = Control(streams), [listening(streams, session, tab) for tab in "ab"]
    control.use("bench", "a")
    control.use("bench", "a")
    assert control.holder("bench") == "a"
    with pytest.raises(Refused, match="take control on this one") as refusal:
        control.use("bench", "b")
    assert (refusal.value.status, refusal.value.path) == (409, "control")
    control.take("bench", "b")
    control.use("bench", "b")
    assert control.holder("offline") is None


def test_a_page_that_has_gone_holds_nothing_and_the_others_hear_of_it(
    streams: Streams, session: Session
) -> None:
    control, stream = Control(streams), listening(streams, session, "a")
    control.use("bench", "a")
    before = session.version
    stream.close()  # type: ignore[attr-defined]
    assert session.version > before
    assert control.holder("bench") is None
    control.use("bench", "b")
