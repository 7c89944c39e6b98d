"""The frame loop: takes frames, follows the card and the mark, and reports each new mark.

One thread, no queue: it always takes the newest frame, and fewer of them while there is little to see.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any, Protocol

import cv2
import numpy as np

from firmware import FrameLike
from firmware.camera.light import LightHold
from firmware.camera.picture_fault import picture_fault
from firmware.health import Finding
from server.rig.background import Background
from server.session.card_scale import CardScale
from server.sources.base import NoPicture, Pixels, Shot, Source
from vision import Moment, Stream

__all__ = ["CLOSE_FRAMES_PER_S", "IDLE_FRAMES_PER_S", "FrameLoop", "Listener"]

CLOSE_FRAMES_PER_S = 15.0
IDLE_FRAMES_PER_S = 5.0
ALIVE_S = 10.0
SEARCH_AGAIN_S = 2.0  # pause before an unchanged picture without a card is searched again
SEARCH_PAUSE_S = 0.5  # the same for a changed picture; a search is the most expensive work of an idle rig
_CHANGED_LEVELS = 6.0
_THUMB = (32, 18)
_log = logging.getLogger(__name__)


class Listener(Protocol):
    """What the frame loop reports to: a session, or a rig that sends to one."""

    @property
    def hung(self) -> int: ...
    def take_shot(self) -> Shot | None: ...
    def take_unseen_pulse(self) -> bool: ...
    def moment(self, moment: Moment, frame: FrameLike) -> None: ...
    def blind(self) -> None: ...


Keep = Callable[[FrameLike, Moment | None], None]


class FrameLoop(Background):
    """Takes frames from ``source`` and reports to ``listener``; ``fault``: what is wrong with the picture.

    watched : whether a page is open; if not, and while no card is in view, frames come slowly. keep : gets
    every frame. scale : of the printed cards; the card is searched for again when it changes. ``look`` does
    everything for one frame; ``start`` calls it in a thread until ``stop``.
    """

    def __init__(
        self,
        listener: Listener,
        source: Source,
        *,
        watched: Callable[[], bool] = lambda: True,
        keep: Keep | None = None,
        scale: CardScale | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__("frame-loop")
        self._listener, self._source, self._watched = listener, source, watched
        self._keep, self._clock = keep, clock
        self._scale = scale or CardScale()
        self.stream = Stream(bar_mm=self._scale.bars_mm)
        self._light = LightHold()
        self.fault: Finding | None = None
        self._number, self._hung = -1, listener.hung
        self._searched: tuple[np.ndarray[Any, Any], float] | None = None
        self._judged_s, self._looked_s = -np.inf, clock()

    @property
    def seen(self) -> bool:
        """Whether there has been a frame."""
        return self._number >= 0

    def alive(self) -> bool:
        """Whether the thread still looks, for a watchdog."""
        return self._thread.is_alive() and self._clock() - self._looked_s < ALIVE_S

    def look(self) -> bool:
        """Take the next frame and report what it shows; returns whether a card was in view."""
        try:
            frame = self._source.look(newer_than=self._number, timeout_s=1.0)
        except NoPicture:
            self.fault, self._searched = None, None
            self._listener.blind()
            return False
        self._number = frame.number
        if self.stream.bar_mm != self._scale.bars_mm:
            self.stream = Stream(bar_mm=self._scale.bars_mm)
        if self._listener.hung != self._hung:
            self._hung = self._listener.hung
            self.stream.fresh_card()
        shot = self._listener.take_shot()
        if shot is not None and shot.before is not None:
            self.stream = _caught_up(self.stream, shot.before, shot.after, frame.time_s)
        if self._listener.take_unseen_pulse():
            self.stream.pulse_told(frame.time_s)
        moment = self.stream.feed(frame.pixels, frame.time_s) if self._worth_it(frame) else None
        if self._keep is not None:
            self._keep(frame, moment)
        if moment is None:
            return False
        self._judge(frame, moment)
        self._listener.moment(moment, frame)
        return moment.card is not None

    def _worth_it(self, frame: FrameLike) -> bool:
        """Whether to search for a card: one is in view, or the picture has changed since the last search."""
        thumb = _thumbnail(frame.pixels)
        if self._searched is not None:
            before, searched_s = self._searched
            still = float(np.abs(thumb - before).max()) < _CHANGED_LEVELS
            if frame.time_s - searched_s < (SEARCH_AGAIN_S if still else SEARCH_PAUSE_S):
                return False
        self._searched = (thumb, frame.time_s)
        return True

    def _judge(self, frame: FrameLike, moment: Moment) -> None:
        """Judge focus and exposure, and lock the light while a card is in view."""
        card = moment.card is not None
        if card:
            self.fault, self._searched = None, None
        elif frame.time_s - self._judged_s >= 1.0:
            self.fault, self._judged_s = picture_fault(frame.pixels, focus=self._source.focus), frame.time_s
        level = float(frame.pixels[::16, ::16].mean())
        order = self._light.look(card=card, level=level, now_s=frame.time_s)
        if order is not None:
            self._source.hold_light(order == "lock")

    def _run(self) -> None:
        while not self._end.is_set():
            began_s = self._looked_s = self._clock()
            try:
                card = self.look()
            except Exception:  # noqa: BLE001 -- one bad look must not end the watch; the log says what it was
                _log.exception("a look at the card failed")
                card = False
            rate = CLOSE_FRAMES_PER_S if card and self._watched() else IDLE_FRAMES_PER_S
            self._source.set_pace(rate)
            self._end.wait(max(began_s + 0.98 / rate - self._clock(), 0.0))


def _caught_up(stream: Stream, before: Pixels, after: Pixels, now_s: float) -> Stream:
    """Return a stream that has seen that pulse, or the same stream if the pictures show none."""
    other = Stream(bar_mm=stream.bar_mm)
    pictures = [before] * 4 + [after] * 6
    moments = [other.feed(picture, now_s - 1.5 + 0.1 * i) for i, picture in enumerate(pictures)]
    return other if moments[-1].reading is not None else stream


def _thumbnail(pixels: Pixels) -> np.ndarray[Any, Any]:
    small = cv2.resize(pixels[::4, ::4], _THUMB, interpolation=cv2.INTER_AREA)
    return small.astype(np.float32)
