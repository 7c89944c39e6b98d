"""What the check bars of the printed cards measure, on its way from the command to the marks."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from server.brain import measured, read_photo
from server.eye import Eye, _caught_up
from server.pages import Config
from server.pages.desk import open_desk
from server.source_practice import PracticeSource
from server.sources import OfflineSource
from vision import NoReading, load_picture

PHOTO = Path(__file__).parents[2] / "docs" / "pictures" / "card-mirror-2-after.jpg"


def test_a_card_printed_small_reads_small() -> None:
    meant = read_photo(PHOTO.read_bytes()).marks[0].offset_mm
    found = read_photo(PHOTO.read_bytes(), brain=measured((49.0, 49.5))).marks[0].offset_mm
    assert found == pytest.approx(np.multiply(meant, (0.98, 0.99)), abs=0.01)


def test_a_bar_of_another_card_is_said_and_nothing_breaks() -> None:
    brain, picture = measured((20.0, 20.0)), load_picture(PHOTO)
    for answer in (brain.read(picture, None), brain.find_card(picture)):
        assert isinstance(answer, NoReading)
        assert "check bar" in answer.reason


@pytest.mark.parametrize(("source", "corrected"), [(PracticeSource, False), (OfflineSource, True)])
def test_the_practice_machine_s_own_cards_are_true_to_scale(
    tmp_path: Path, source: Any, corrected: bool
) -> None:
    desk = open_desk(Config(tmp_path, source=source, bars_mm=(20.0, 20.0)))
    picture = load_picture(PHOTO)
    bench = desk.sessions["bench"]._brain.read(picture, None)
    assert isinstance(bench, NoReading) is corrected
    assert isinstance(desk.sessions["offline"]._brain.read(picture, None), NoReading)
    desk.sessions["bench"].source.close()


def test_the_eye_keeps_it_through_a_pulse() -> None:
    listener: Any = SimpleNamespace(hung=0)
    eye = Eye(listener, OfflineSource(), bars_mm=(49.0, 49.5))
    picture = load_picture(PHOTO)
    assert eye.stream.bar_mm == _caught_up(eye.stream, picture, picture, 0.0).bar_mm == (49.0, 49.5)
