"""When exposure, white balance and focus are locked, and when they are released."""

from __future__ import annotations

from firmware.camera.light import LightHold


def fed(
    keeper: LightHold, *frames: tuple[bool, float], every_s: float = 0.5, from_s: float = 0.0
) -> list[object]:
    return [
        keeper.look(card=card, level=level, now_s=from_s + index * every_s)
        for index, (card, level) in enumerate(frames)
    ]


def test_the_light_is_held_once_the_card_has_been_seen_for_a_while() -> None:
    keeper = LightHold()
    assert fed(keeper, (False, 90), (True, 90), (True, 90), (True, 90), (True, 90)) == [
        None,
        None,
        None,
        "lock",
        None,
    ]


def test_a_card_that_only_flits_by_holds_nothing() -> None:
    assert fed(LightHold(), *[(True, 90), (False, 90)] * 6) == [None] * 12


def test_a_hand_or_a_flash_changes_nothing() -> None:
    keeper = LightHold()
    fed(keeper, *[(True, 90)] * 4)
    seen = fed(keeper, (False, 30), (False, 30), (True, 200), (True, 200), (True, 90), (True, 90), from_s=2.0)
    assert seen == [None] * 6
    assert keeper.locked


def test_a_light_changed_for_good_is_found_and_locked_again() -> None:
    keeper = LightHold()
    fed(keeper, *[(True, 90)] * 4)
    seen = fed(keeper, *[(True, 140)] * 10, from_s=2.0)
    assert seen.index("release") == 6
    assert seen[9] == "lock"
    assert fed(keeper, *[(True, 140)] * 10, from_s=7.0) == [None] * 10


def test_a_card_gone_for_good_releases_the_light() -> None:
    keeper = LightHold()
    fed(keeper, *[(True, 90)] * 4)
    assert "release" in fed(keeper, *[(False, 90)] * 8, from_s=2.0)
