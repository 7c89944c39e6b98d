"""Messages between a camera's process and its parent arrive as sent, and a closed end is noticed."""

from __future__ import annotations

from multiprocessing import Pipe

import pytest

from firmware import open_camera
from firmware.camera.messages import Failed, HoldLight, Link, Open, Pace, Sent, WantFull


@pytest.fixture
def ends() -> tuple[Link, Link]:
    ours, theirs = Pipe()
    return Link(ours), Link(theirs)


@pytest.mark.parametrize(
    "message",
    [
        Open(open_camera, "fake", {"frames_per_s": 5.0}, 17),
        WantFull(),
        Pace(5.0),
        HoldLight(True),
        HoldLight(False),
        Sent(3, 1.5, (4, 6, 3), False),
        Failed("unplugged: plug it in again"),
    ],
)
def test_a_message_arrives_as_it_was_sent(ends: tuple[Link, Link], message: object) -> None:
    here, there = ends
    here.send(message)  # type: ignore[arg-type]
    assert there.receive() == message


def test_without_a_message_there_is_nothing_after_a_while(ends: tuple[Link, Link]) -> None:
    assert ends[0].receive(timeout_s=0.0) is None


def test_an_end_that_has_gone_is_noticed(ends: tuple[Link, Link]) -> None:
    here, there = ends
    there.close()
    with pytest.raises((EOFError, OSError)):
        here.receive(timeout_s=60.0)
    with pytest.raises(OSError):
        here.send(WantFull())
