from threading import Thread

import numpy as np
import pytest

from firmware import CameraMissing, CameraTimeout, Frame
from firmware.camera.slot import NewestSlot


def _frame(number: int) -> Frame:
    return Frame(np.zeros((2, 2, 3), np.uint8), float(number), number)


def test_only_the_newest_frame_is_kept() -> None:
    slot = NewestSlot()
    for number in range(5):
        slot.put(_frame(number))
    assert slot.get(newer_than=-1, timeout_s=0).number == 4


def test_an_old_frame_is_not_new() -> None:
    slot = NewestSlot()
    slot.put(_frame(3))
    with pytest.raises(CameraTimeout, match="no new picture for 0 s"):
        slot.get(newer_than=3, timeout_s=0)


def test_a_reader_wakes_when_the_frame_comes() -> None:
    slot, numbers = NewestSlot(), []
    reader = Thread(target=lambda: numbers.append(slot.get(newer_than=7, timeout_s=300).number))
    reader.start()
    slot.put(_frame(8))
    reader.join(timeout=300)
    assert numbers == [8]


def test_a_failure_reaches_every_reader_until_it_is_over() -> None:
    slot = NewestSlot()
    slot.put(_frame(1))
    slot.fail(CameraMissing("gone"))
    for _ in range(2):
        with pytest.raises(CameraMissing, match="gone"):
            slot.get(newer_than=-1, timeout_s=0)
    slot.put(_frame(2))
    assert slot.get(newer_than=-1, timeout_s=0).number == 2
