"""When to hold the light: exposure, white balance and focus stay fixed while a card is in view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["LightHold", "LightOrder"]

LightOrder = Literal["lock", "release"]


@dataclass
class LightHold:
    """Fed with what each frame showed; says when to lock and when to let the camera find its light again.

    calm_s : a card seen for so long without a break is worth locking for.
    patience_s : a card gone, or a light changed, for so long is gone, or changed, for good. A hand, smoke or
        a pulse is over sooner.
    change : fraction of the mean level by which the light has then changed.
    """

    calm_s: float = 1.0
    patience_s: float = 3.0
    change: float = 0.25
    locked: bool = False
    _level: float = 0.0
    _seen_since_s: float | None = None
    _wrong_since_s: float | None = None

    def look(self, *, card: bool, level: float, now_s: float) -> LightOrder | None:
        """Take one frame: whether a card is in it, its mean grey level; return what to do, if anything."""
        return self._locked(card, level, now_s) if self.locked else self._free(card, level, now_s)

    def _free(self, card: bool, level: float, now_s: float) -> LightOrder | None:
        if not card:
            self._seen_since_s = None
            return None
        if self._seen_since_s is None:
            self._seen_since_s = now_s
        if now_s - self._seen_since_s < self.calm_s:
            return None
        self.locked, self._level, self._wrong_since_s = True, level, None
        return "lock"

    def _locked(self, card: bool, level: float, now_s: float) -> LightOrder | None:
        if card and abs(level - self._level) <= self.change * max(self._level, 1.0):
            self._wrong_since_s = None
            return None
        if self._wrong_since_s is None:
            self._wrong_since_s = now_s
        if now_s - self._wrong_since_s < self.patience_s:
            return None
        self.locked, self._seen_since_s = False, None
        return "release"
