"""What the console says about a missing camera."""

from __future__ import annotations

from threading import Event
from types import SimpleNamespace
from typing import Any, cast

from server.rig.camera_notice import CameraNotice


def test_a_camera_that_is_not_there_is_said_once() -> None:
    said, heard = [], Event()

    def say(line: str) -> None:
        said.append(line)
        heard.set()

    source = cast(Any, SimpleNamespace(problem="camera 0 is not there"))
    notice = CameraNotice(source, lambda: False, say)
    notice.start()
    assert heard.wait(60)
    notice.stop()
    assert said == ["No picture yet: camera 0 is not there (it will keep trying)."]


def test_nothing_is_said_of_a_camera_that_gives_pictures() -> None:
    said: list[str] = []
    source = cast(Any, SimpleNamespace(problem="it was slow to start"))
    notice = CameraNotice(source, lambda: True, said.append)
    notice.start()
    notice.stop()
    assert said == []
