"""A rig that sends to a page elsewhere: reads marks by itself, keeps them, delivers each once and in order.

A reading is numbered and on disk before it is sent, and is done when the page confirms it. The page takes no
number twice and refuses a gap, so neither a lost answer nor a restart doubles a mark.
"""

from __future__ import annotations

import base64
import logging
import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

import cv2
import numpy as np

from firmware import FrameLike
from firmware.health import Finding
from server.log import Json
from server.rig.full_resolution import FullLook
from server.rig.signals import PanelState
from server.rig.spool import Spool
from server.rig.wire import WHOLE_S, Undelivered, Wire, post_json
from server.sources.base import Pixels, as_jpeg
from vision import Mark, Moment, Reading

__all__ = ["Spool", "Undelivered", "Uplink", "Wire", "post_json"]

SMALL_COLS = 480
SIGHT_EVERY_S = 0.5
PICTURE_EVERY_S = 2.0
PRESS_COUNTS_S = 3.0  # a press that could not be sent by then is dropped: the person has looked by now
PAUSES_S = (0.5, 1.0, 2.0, 5.0)
SHUT_PAUSES_S = (5.0, 15.0, 60.0, 300.0)  # while the page refuses this rig
ALIVE_S = 60.0  # how late a sign of life may be
MOST_HELD = 50  # readings kept in memory while the disk cannot be written
_log = logging.getLogger(__name__)
_BOOT = Path("/proc/sys/kernel/random/boot_id")
_PROGRAM = secrets.token_hex(8)


class Uplink:
    """The frame loop's listener on such a rig, and the thread that delivers.

    ``panel_state`` is what the page wants this rig's panel to show, None while the page is not reached;
    ``said`` is the reason, or what the page refused, or empty.
    """

    hung = 0  # fresh tape is not reported to a remote rig; its frame loop sees it

    def __init__(
        self,
        name: str,
        spool: Spool,
        wire: Wire,
        *,
        full: FullLook | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name, self._spool, self._wire = name, spool, wire
        self._full, self._clock = full, clock
        self.faults: tuple[Finding, ...] = ()
        self.panel_state: PanelState | None = None
        self._lid_closed: bool | None = None
        self._pressed_s: float | None = None
        self._pictured_s = -math.inf
        self._sight: tuple[Moment, FrameLike] | None = None
        self._seen: Json = {}
        self._end, self._news = threading.Event(), threading.Event()
        self._failures, self.said, self._failure = 0, "", ""
        self._held, self._storing = deque[Json](), threading.Lock()
        self._by_s = clock() + ALIVE_S
        self._thread = threading.Thread(target=self._run, name="delivery", daemon=True)

    def moment(self, moment: Moment, frame: FrameLike) -> None:
        """One frame was looked at."""
        self._sight = (moment, frame)
        if "mark settled" in moment.events and isinstance(moment.reading, Reading):
            self._keep(self._full.measure(moment.reading) if self._full else moment.reading, frame)
        if self._full is not None:
            self._full.moment(moment)

    def take_shot(self) -> None:
        """Return None: pulses are not reported to a remote rig either."""

    def take_unseen_pulse(self) -> bool:
        """Return False, for the same reason."""
        return False

    def blind(self) -> None:
        """There are no frames just now."""
        self._sight = None

    def tell(self, *, faults: Iterable[Finding], lid_closed: bool | None) -> None:
        """Take the faults and the lid contact here; anything new goes to the page at once."""
        now = tuple(faults), lid_closed
        if now != (self.faults, self._lid_closed):
            self.faults, self._lid_closed = now
            self._news.set()

    def press(self) -> None:
        """The foot button was pressed: send that to the page at once or not at all."""
        self._pressed_s = self._clock()
        self._news.set()

    def start(self) -> None:
        """Start to deliver."""
        self._thread.start()

    def stop(self) -> None:
        """Stop delivering; what is not delivered stays on disk."""
        self._end.set()
        self._news.set()
        self._thread.join()

    def alive(self) -> bool:
        """Whether the thread runs and is not late, for a watchdog."""
        return self._thread.is_alive() and self._clock() < self._by_s

    def deliver(self) -> bool:
        """Send the oldest reading that waits; returns whether there may be another. Raises Undelivered."""
        waiting = self._spool.first()
        if waiting is None:
            return False
        read_at = waiting.pop("read_at")
        body = {**waiting, "age_s": _age_s(read_at, self._clock())}
        answer = self._ask("/api/rig/readings", body)
        if answer.get("sequence") != waiting["sequence"]:  # something else than our page answered
            raise Undelivered("the answer does not confirm the reading: kept here for now", lost=False)
        self._spool.done(int(waiting["sequence"]))
        return True

    def _ask(self, path: str, body: Json) -> Json:
        self._by_s = self._clock() + WHOLE_S + ALIVE_S
        return self._wire(path, body)

    def show(self) -> None:
        """Send what is seen now, and get what the panel should show. Raises Undelivered."""
        fault = self.faults[0].line if self.faults else self.said
        body: Json = {
            "rig": self.name,
            "series": self._spool.name,
            "fault": fault[:200],
            "lid_closed": self._lid_closed,
        }
        picture: Json = {}
        if self._clock() - self._pictured_s >= PICTURE_EVERY_S or self._sight is None:
            self._seen, picture = self._seen_now()
        answer = self._ask("/api/rig/sight", body | self._seen | picture)
        self.panel_state = PanelState.from_json(answer.get("panel"))
        if isinstance(last := answer.get("last"), int):
            self._spool.agree(last)

    def _seen_now(self) -> tuple[Json, Json]:
        """Return what the newest frame shows, and the frame itself, small."""
        if self._sight is None:
            return {}, {}
        (moment, frame), self._pictured_s = self._sight, self._clock()
        seen: Json = {"station": moment.station if moment.card is not None else None}
        if moment.card is not None and moment.reading is not None:
            seen["offset_mm"] = [round(float(v), 3) for v in moment.reading.marks[0].offset_mm]
        return seen, {"picture": _small(frame.pixels)}

    def tell_press(self) -> None:
        """Send a fresh press of the foot button to the page; drops it if that fails. Raises Undelivered."""
        pressed_s, self._pressed_s = self._pressed_s, None
        if pressed_s is not None and self._clock() - pressed_s <= PRESS_COUNTS_S:
            self._ask("/api/rig/press", {"rig": self.name})

    def _keep(self, reading: Reading, frame: FrameLike) -> None:
        fresh = [mark for mark in reading.marks if mark.new]
        if len(fresh) != 1:
            return
        self._held.append(
            {
                "rig": self.name,
                "mark": {**_mark_json(reading, fresh[0]), "lid_closed": self._lid_closed},
                "picture": _small(frame.pixels),
                "read_at": {"boot": _boot(), "s": frame.time_s},
            }
        )
        if len(self._held) > MOST_HELD:
            _log.error("a reading is lost because the disk fails: %s", self._held.popleft()["mark"])
        try:
            self._store()
        except OSError:
            _log.exception("a reading could not be written to disk: it waits in memory")
        self._news.set()

    def _disk_refuses(self) -> OSError | None:
        """Try again to write what waits in memory; returns the error, if any."""
        try:
            self._store()
        except OSError as error:
            return error
        return None

    def _store(self) -> None:
        """Write what waits in memory to disk. Raises OSError."""
        with self._storing:
            while self._held:
                self._spool.put(self._held[0])
                self._held.popleft()

    def _run(self) -> None:
        while not self._end.is_set():
            self._news.clear()
            pause_s = self.round()
            self._by_s = self._clock() + pause_s + ALIVE_S
            (self._end if pause_s > PAUSES_S[-1] else self._news).wait(pause_s)

    def round(self) -> float:
        """Send everything there is; returns how long (s) to pause if nothing new happens.

        Every failure is reported and tried again.
        """
        try:
            full = self._disk_refuses()
            self.tell_press()
            self.show()
            while self.deliver():
                pass
            if full is not None:
                raise full
        except Undelivered as error:
            if error.lost:
                self.panel_state = None
            return self._failed(str(error), SHUT_PAUSES_S if error.shut else PAUSES_S)
        except OSError as error:
            held = f", {len(self._held)} in memory only: leave the rig on" if self._held else ""
            return self._failed(f"the disk fails ({error.strerror or error}){held}", PAUSES_S)
        except Exception as error:  # noqa: BLE001 -- nothing may end the delivery; the log says what it was
            _log.exception("sending failed")
            return self._failed(f"sending failed ({type(error).__name__}): trying again", PAUSES_S)
        self._failures, self._failure = 0, ""
        lost = self._spool.damaged
        self.said = f"{lost} readings on the disk were damaged and have been set aside" if lost else ""
        return SIGHT_EVERY_S

    def _failed(self, said: str, pauses_s: tuple[float, ...]) -> float:
        if said != self._failure:
            _log.warning("%s", said)
            self._failures = min(self._failures, 1)
        self._failure = said
        self._failures += 1
        pause_s = pauses_s[min(self._failures, len(pauses_s)) - 1]
        self.said = f"{said} (trying again in {pause_s:.0f} s)" if pauses_s is SHUT_PAUSES_S else said
        return pause_s


def _mark_json(reading: Reading, mark: Mark) -> Json:
    return {
        "station": reading.station,
        "offset_mm": [float(value) for value in mark.offset_mm],
        "sigma_mm": [float(value) for value in mark.sigma_mm],
        "width_mm": [float(value) for value in mark.width_mm],
        "shape": mark.shape,
        "flat_side_deg": mark.flat_side_deg,
        "px_per_mm": float(reading.card.px_per_mm),
    }


def _small(pixels: Pixels) -> str:
    rows, cols = pixels.shape[:2]
    size = (SMALL_COLS, max(1, round(rows * SMALL_COLS / cols)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if cols > SMALL_COLS else pixels
    return base64.b64encode(as_jpeg(np.asarray(small, np.uint8), quality=75)).decode()


def _age_s(read_at: Json, now_s: float) -> float | None:
    """Return how long ago that was; None after a restart of the computer, when no clock can tell."""
    return max(now_s - float(read_at["s"]), 0.0) if read_at["boot"] == _boot() else None


def _boot() -> str:
    """Return an id that changes with each restart of the computer, or of the program if no file gives one."""
    try:
        return _BOOT.read_text("ascii").strip()
    except OSError:
        return _PROGRAM
