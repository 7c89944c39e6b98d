"""A rig that sends to a page elsewhere: reads marks by itself, keeps them, delivers each once and in order.

A reading is on the disk, numbered, before it is sent, and goes when the page has said that it has it. The
page takes nothing twice and refuses what would leave a gap, so neither a lost answer nor a restart doubles a
mark.
"""

from __future__ import annotations

import base64
import json
import logging
import math
import secrets
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np

from firmware import FrameLike
from firmware.health import Finding
from server.log import Json, write_for_good
from server.rig.full_resolution import FullLook
from server.rig.signals import Wish
from server.sources.base import Pixels, as_jpeg
from vision import Mark, Moment, Reading

__all__ = ["Outpost", "Spool", "Unheard", "Wire", "post_json"]

SMALL_COLS = 480
SIGHT_EVERY_S = 0.5
PICTURE_EVERY_S = 2.0
PRESS_COUNTS_S = 3.0  # a press that could not be told by then is forgotten: the person has looked by now
PAUSES_S = (0.5, 1.0, 2.0, 5.0)
_log = logging.getLogger(__name__)
_BOOT = Path("/proc/sys/kernel/random/boot_id")


class Unheard(Exception):
    """The page did not take it; ``str()`` is one line. ``lost``: it was not reached at all."""

    def __init__(self, message: str, *, lost: bool) -> None:
        super().__init__(message)
        self.lost = lost


class Wire(Protocol):
    """How words reach the page: raises Unheard."""

    def __call__(self, path: str, body: Json) -> Json: ...


class Spool:
    """Readings on the disk that wait to be delivered, oldest first. Numbers go on over restarts.

    ``name`` is the folder's own: a new folder begins a new series of numbers.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._lock = folder, threading.Lock()
        for torn in folder.glob("*.part"):
            torn.unlink()
        counted = folder / "delivered"
        named = folder / "name"
        if not named.exists():
            write_for_good(named, secrets.token_hex(6))
        self.name = named.read_text("ascii").strip()
        done = int(counted.read_text("ascii")) if counted.exists() else 0
        self._last = max([done, *self._waiting()])

    def put(self, body: Json) -> int:
        """Number it, put it on the disk; returns the number once it survives a power cut."""
        with self._lock:
            number = self._last + 1
            write_for_good(self._folder / f"{number:09d}.json", json.dumps({**body, "sequence": number}))
            self._last = number
            return number

    def first(self) -> Json | None:
        """Return the oldest reading that waits, or None."""
        with self._lock:
            for number in self._waiting():
                body: Json = json.loads((self._folder / f"{number:09d}.json").read_text("utf-8"))
                return body
            return None

    def done(self, number: int) -> None:
        """That one has arrived."""
        with self._lock:
            write_for_good(self._folder / "delivered", str(number))
            (self._folder / f"{number:09d}.json").unlink(missing_ok=True)

    def __len__(self) -> int:
        return len(self._waiting())

    def _waiting(self) -> list[int]:
        return sorted(int(path.stem) for path in self._folder.glob("*.json"))


class Outpost:
    """The eye's listener on such a rig, and the thread that delivers.

    ``wish`` is what the page wants this rig's panel to show, None while it is not heard; ``said`` is why it
    is not, or what it refused, or empty.
    """

    hung = 0  # nobody tells a rig that fresh tape was hung; its eye sees it

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
        self.wish: Wish | None = None
        self._lid_closed: bool | None = None
        self._pressed_s: float | None = None
        self._pictured_s = -math.inf
        self._sight: tuple[Moment, FrameLike] | None = None
        self._seen: Json = {}
        self._end, self._news = threading.Event(), threading.Event()
        self._failures, self.said = 0, ""
        self._thread = threading.Thread(target=self._run, name="delivery", daemon=True)

    def moment(self, moment: Moment, frame: FrameLike) -> None:
        """One frame was looked at."""
        self._sight = (moment, frame)
        if "mark settled" in moment.events and isinstance(moment.reading, Reading):
            self._keep(self._full.measure(moment.reading) if self._full else moment.reading, frame)
        if self._full is not None:
            self._full.moment(moment)

    def take_shot(self) -> None:
        """Nobody tells a rig of a pulse either."""

    def blind(self) -> None:
        """There are no frames just now."""
        self._sight = None

    def tell(self, *, faults: Iterable[Finding], lid_closed: bool | None) -> None:
        """What is wrong here, and what the lid contact says: told to the page at once where it is new."""
        now = tuple(faults), lid_closed
        if now != (self.faults, self._lid_closed):
            self.faults, self._lid_closed = now
            self._news.set()

    def press(self) -> None:
        """The foot button was pressed: told to the page at once or not at all."""
        self._pressed_s = self._clock()
        self._news.set()

    def start(self) -> None:
        """Begin to deliver."""
        self._thread.start()

    def stop(self) -> None:
        """Deliver no more; what waits, waits on the disk."""
        self._end.set()
        self._news.set()
        self._thread.join()

    def deliver(self) -> bool:
        """Send the oldest reading that waits; returns whether there may be another. Raises Unheard."""
        waiting = self._spool.first()
        if waiting is None:
            return False
        read_at = waiting.pop("read_at")
        body = {**waiting, "age_s": _age_s(read_at, self._clock())}
        self._wire("/api/rig/readings", body)
        self._spool.done(int(waiting["sequence"]))
        return True

    def show(self) -> None:
        """Tell the page what is seen now, and hear what it wants shown. Raises Unheard."""
        fault = self.faults[0].line if self.faults else self.said
        body: Json = {"rig": self.name, "fault": fault[:200], "lid_closed": self._lid_closed}
        picture: Json = {}
        if self._clock() - self._pictured_s >= PICTURE_EVERY_S or self._sight is None:
            self._seen, picture = self._seen_now()
        self.wish = Wish.from_json(self._wire("/api/rig/sight", body | self._seen | picture).get("panel"))

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
        """Tell the page of a fresh press of the foot button. Raises Unheard; then it is forgotten."""
        pressed_s, self._pressed_s = self._pressed_s, None
        if pressed_s is not None and self._clock() - pressed_s <= PRESS_COUNTS_S:
            self._wire("/api/rig/press", {"rig": self.name})

    def _keep(self, reading: Reading, frame: FrameLike) -> None:
        fresh = [mark for mark in reading.marks if mark.new]
        if len(fresh) != 1:
            return
        self._spool.put(
            {
                "rig": self.name,
                "series": self._spool.name,
                "mark": {**_mark_json(reading, fresh[0]), "lid_closed": self._lid_closed},
                "picture": _small(frame.pixels),
                "read_at": {"boot": _boot(), "s": frame.time_s},
            }
        )
        self._news.set()

    def _run(self) -> None:
        while not self._end.is_set():
            self._news.clear()
            self._news.wait(self.round())

    def round(self) -> float:
        """Tell and deliver what there is; returns how long (s) to pause if nothing new happens."""
        try:
            self.tell_press()
            self.show()
            while self.deliver():
                pass
        except Unheard as unheard:
            if str(unheard) != self.said:
                _log.warning("%s", unheard)
            self.said = str(unheard)
            if unheard.lost:
                self.wish = None
            self._failures += 1
            return PAUSES_S[min(self._failures, len(PAUSES_S)) - 1]
        self._failures, self.said = 0, ""
        return SIGHT_EVERY_S


def post_json(address: str, code: str | None, *, timeout_s: float = 10.0) -> Wire:
    """Return a wire to the page at ``address`` (http or https), with its access code."""
    if not address.startswith(("http://", "https://")):
        raise ValueError(f"{address}: an address begins with http:// or https://")
    base = address.rstrip("/")

    def send(path: str, body: Json) -> Json:
        headers = {"Content-Type": "application/json"}
        if code:
            headers["Authorization"] = f"Bearer {code}"
        request = urllib.request.Request(base + path, json.dumps(body).encode(), headers, method="POST")
        try:
            with urllib.request.urlopen(request, timeout=timeout_s) as answer:
                said: Json = json.loads(answer.read())
                return said
        except urllib.error.HTTPError as error:
            raise Unheard(_reason(error), lost=False) from None
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", error)
            raise Unheard(f"{base} is not reached ({reason}): kept here meanwhile", lost=True) from None

    return send


def _reason(error: urllib.error.HTTPError) -> str:
    try:
        return str(json.loads(error.read())["error"]["message"])
    except (OSError, ValueError, KeyError, TypeError):
        return f"answered {error.code}"


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
    """Return how long ago that was; None where the machine was started anew since, and no clock can tell."""
    return max(now_s - float(read_at["s"]), 0.0) if read_at["boot"] == _boot() else None


def _boot() -> str:
    try:
        return _BOOT.read_text("ascii").strip()
    except OSError:
        return ""
