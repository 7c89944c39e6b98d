"""The practice laser's simulated camera; it gives pictures and nothing else, like a real one."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from server.practice.burn import Burn, Field, add_heat, empty_field
from server.practice.machine import PracticeMachine
from server.practice.scene import PAD, Scene
from server.practice.view import COLS, ROWS, pose_for, sway
from server.solver.machine.profile import STATIONS

__all__ = ["PracticeCamera", "PracticeFrame"]

Pixels = NDArray[np.uint8]
_NOISE_SPARE = 128
_KEPT_STILLS = 2  # about 15 MB each


@dataclass(frozen=True)
class PracticeFrame:
    """One rendered picture: (720, 1280, 3) uint8 BGR; monotonic seconds; a number that rises."""

    pixels: Pixels
    time_s: float
    number: int


@dataclass
class _Still:
    """A card's scene, the heat of its burns so far, and the picture of both."""

    scene: Scene
    card: int
    burnt: tuple[Burn, ...]
    field: Field
    picture: Pixels


class PracticeCamera:
    """Renders what a camera beside the mirror would see of the machine's card; satisfies the rig's Camera.

    A frame is drawn when one is asked for, at most ``frames_per_s`` times a second, and at once after the
    machine has changed: a frame newer than the last one before a pulse always shows the pulse.
    ``above``: the number of the last frame of an earlier camera; numbering goes on from there.
    ``newest`` raises TimeoutError if no new frame is due within ``timeout_s``, RuntimeError before ``start``.
    """

    kind = "practice"
    problem: str | None = None
    focus: str | None = None

    def __init__(
        self,
        machine: PracticeMachine,
        *,
        frames_per_s: float = 15.0,
        above: int = -1,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._machine = machine
        self._interval_s = 1.0 / frames_per_s
        self._clock, self._sleep = clock, sleep
        self._lock = Lock()
        self._stills: dict[str, _Still] = {}
        self._noise = _noise_bank(machine.seed)
        self._frame: PracticeFrame | None = None
        self.number = above  # of the newest frame
        self._seen_revision = -1
        self._running = False

    def start(self) -> None:
        self._running = True

    def stop(self) -> None:
        self._running = False

    def newest(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> PracticeFrame:
        """Return the newest frame whose number is above ``newer_than``."""
        give_up_s = self._clock() + timeout_s
        while True:
            frame = self._current()
            if frame.number > newer_than:
                return frame
            now_s = self._clock()
            if now_s >= give_up_s:
                raise TimeoutError(f"no practice frame above number {newer_than} within {timeout_s:g} s")
            self._sleep(min(max(frame.time_s + self._interval_s - now_s, 1e-4), give_up_s - now_s))

    def newest_full(self, *, newer_than: int = -1, timeout_s: float = 2.0) -> PracticeFrame:
        """Return the same as ``newest``: there is only one stream."""
        return self.newest(newer_than=newer_than, timeout_s=timeout_s)

    def lock_light(self) -> tuple[str, ...]:
        """Do nothing: this light never changes."""
        return ()

    def release_light(self) -> None:
        """Do nothing: nothing was locked."""

    def set_pace(self, frames_per_s: float) -> None:
        """Do nothing: frames are drawn when asked for."""

    def _current(self) -> PracticeFrame:
        with self._lock:
            if not self._running:
                raise RuntimeError("the practice camera is not started")
            now_s, frame = self._clock(), self._frame
            changed = self._machine.revision != self._seen_revision
            if frame is None or changed or now_s - frame.time_s >= self._interval_s - 1e-6:
                self.number += 1
                self._frame = frame = PracticeFrame(self._render(now_s, self.number), now_s, self.number)
            return frame

    def _render(self, time_s: float, frame_number: int) -> Pixels:
        with self._machine.lock:
            self._seen_revision = self._machine.revision
            station = self._machine.station
            card = self._machine.cards[station]
            number, seed, burns = card.number, card.seed, tuple(card.burns)
        still = self._still(station, number, seed, burns)
        shift = sway(time_s) @ np.array([[1.0, 0.0, -PAD], [0.0, 1.0, -PAD], [0.0, 0.0, 1.0]])
        picture = cv2.warpAffine(still, shift[:2], (COLS, ROWS), flags=cv2.INTER_LINEAR)
        col, row = np.random.default_rng(frame_number).integers(0, _NOISE_SPARE, 2)
        grain = self._noise[row : row + ROWS, col : col + COLS]
        return np.asarray(cv2.add(picture, grain, dtype=cv2.CV_8U), np.uint8)

    def _still(self, station: str, number: int, seed: int, burns: tuple[Burn, ...]) -> Pixels:
        still = self._stills.pop(station, None)
        if still is None or still.card != number:
            still = self._hung(station, number, seed, still)
        self._stills[station] = still
        while len(self._stills) > _KEPT_STILLS:
            del self._stills[next(iter(self._stills))]
        if still.burnt != burns:
            if burns[: len(still.burnt)] != still.burnt:  # film: the earlier marks have faded
                still.field, still.burnt = empty_field(), ()
            for burn in burns[len(still.burnt) :]:
                add_heat(still.field, burn)
            still.burnt = burns
            still.picture = still.scene.still(still.field)
        return still.picture

    def _hung(self, station: str, number: int, seed: int, before: _Still | None) -> _Still:
        if before is not None:
            scene = before.scene
            scene.hang(seed)
        else:
            place_seed = 1000 * self._machine.seed + STATIONS.index(station)
            pose = pose_for(np.random.default_rng(place_seed))
            scene = Scene(station, pose, place_seed=place_seed, card_seed=seed)
        field = empty_field()
        return _Still(scene, number, (), field, scene.still(field))


def _noise_bank(seed: int) -> NDArray[np.int16]:
    """One large picture of sensor noise (2 grey levels); each frame uses another part of it."""
    rng = np.random.default_rng(seed)
    shape = (ROWS + _NOISE_SPARE, COLS + _NOISE_SPARE, 3)
    return np.asarray(np.rint(rng.standard_normal(shape, dtype=np.float32) * 2.0), np.int16)
