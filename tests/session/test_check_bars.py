"""The measured check bars of the printed cards, from the command line to the marks."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from firmware import Frame
from server.pages import Config
from server.pages.shared import open_shared
from server.rig.frame_loop import FrameLoop, _caught_up
from server.session.card_scale import CardScale
from server.session.services import measured, read_photo
from server.sources.base import OfflineSource
from server.sources.practice_source import PracticeSource
from vision import BarRefused, NoReading, load_picture

PHOTO = Path(__file__).parents[2] / "docs" / "pictures" / "card-mirror-2-after.jpg"


def test_a_card_printed_small_reads_small() -> None:
    meant = read_photo(PHOTO.read_bytes()).marks[0].offset_mm
    found = read_photo(PHOTO.read_bytes(), services=measured(CardScale((49.0, 49.5)))).marks[0].offset_mm
    assert found == pytest.approx(np.multiply(meant, (0.98, 0.99)), abs=0.01)


def test_a_bar_of_another_card_is_said_and_nothing_breaks() -> None:
    services, picture = measured(CardScale((20.0, 20.0))), load_picture(PHOTO)
    for answer in (services.read(picture, None), services.find_card(picture)):
        assert isinstance(answer, NoReading)
        assert "check bar" in answer.reason


@pytest.mark.parametrize(("source", "corrected"), [(PracticeSource, False), (OfflineSource, True)])
def test_the_practice_machine_s_own_cards_are_true_to_scale(
    tmp_path: Path, source: Any, corrected: bool
) -> None:
    shared = open_shared(Config(tmp_path, source=source, bars_mm=(20.0, 20.0)))
    picture = load_picture(PHOTO)
    bench = shared.sessions["bench"]._services.read(picture, None)
    assert isinstance(bench, NoReading) is corrected
    assert isinstance(shared.sessions["offline"]._services.read(picture, None), NoReading)
    shared.sessions["bench"].source.close()


def test_the_frame_loop_keeps_the_scale_through_a_pulse() -> None:
    listener: Any = SimpleNamespace(hung=0)
    frame_loop = FrameLoop(listener, OfflineSource(), scale=CardScale((49.0, 49.5)))
    picture = load_picture(PHOTO)
    assert (
        frame_loop.stream.bar_mm
        == _caught_up(frame_loop.stream, picture, picture, 0.0).bar_mm
        == (49.0, 49.5)
    )


def test_the_frame_loop_looks_again_when_the_scale_has_changed() -> None:
    scale, listener = (
        CardScale(),
        SimpleNamespace(
            hung=0, take_shot=lambda: None, take_unseen_pulse=lambda: False, moment=lambda *_: None
        ),
    )
    photo = Frame(load_picture(PHOTO), 0.0, 1)
    source: Any = SimpleNamespace(look=lambda **_: photo, hold_light=lambda _: None)
    frame_loop = FrameLoop(listener, source, scale=scale)
    assert frame_loop.look()
    before = frame_loop.stream
    frame_loop.look()
    assert frame_loop.stream is before
    scale.set((49.0, 49.5))
    frame_loop.look()
    assert frame_loop.stream.bar_mm == (49.0, 49.5)


def test_the_command_overrides_what_a_page_saved(tmp_path: Path) -> None:
    kept = tmp_path / "lasers" / "check-bars"
    CardScale(kept=kept).set((49.7, 49.9))
    assert CardScale(kept=kept).bars_mm == (49.7, 49.9)
    assert CardScale((50.2, 50.2), kept=kept).bars_mm == (50.2, 50.2)
    CardScale(kept=kept).set(None)
    assert CardScale(kept=kept).bars_mm is None


@pytest.mark.parametrize("bars_mm", [(20.3, 19.8), (49.0, 51.0), (69.0, 71.5)])
def test_the_bars_of_each_size_of_card_are_taken(bars_mm: tuple[float, float]) -> None:
    scale = CardScale()
    scale.set(bars_mm)
    assert scale.bars_mm == bars_mm


@pytest.mark.parametrize("bars_mm", [(5.0, 5.0), (50.0, 20.0), (20.0, 50.0), (56.0, 56.0), (1e9, 50.0)])
def test_bars_that_no_card_can_have_are_refused_as_the_command_refuses_them(
    tmp_path: Path, bars_mm: tuple[float, float]
) -> None:
    scale = CardScale(kept=tmp_path / "lasers" / "check-bars")
    with pytest.raises(BarRefused, match=r"a check bar of .* mm: .* measure it again"):
        scale.set(bars_mm)
    assert scale.bars_mm is None
    assert list(tmp_path.iterdir()) == []
