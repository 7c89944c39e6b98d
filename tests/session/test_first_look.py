"""What the console says about a missing camera."""

from __future__ import annotations

from threading import Event
from types import SimpleNamespace
from typing import Any, cast

from server.rig.first_look import FirstLook


def test_a_camera_that_is_not_there_is_said_once() -> None:
    said, told = [], Event()

    def say(line: str) -> None:
        said.append(line)
        told.set()

    source = cast(Any, SimpleNamespace(problem="camera 0 is not there"))
    look = FirstLook(source, lambda: False, say)
    look.start()
    assert told.wait(60)
    look.stop()
    assert said == ["No picture yet: camera 0 is not there (it will keep trying)."]


def test_nothing_is_said_of_a_camera_that_gives_pictures() -> None:
    said: list[str] = []
    source = cast(Any, SimpleNamespace(problem="it was slow to start"))
    look = FirstLook(source, lambda: True, said.append)
    look.start()
    look.stop()
    assert said == []
