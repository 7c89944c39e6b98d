"""Pictures and adjustments of the practice laser."""

from __future__ import annotations

import secrets
import threading

from firmware import FrameLike
from server.log import Json
from server.practice import PracticeCamera, PracticeMachine, default_profile
from server.practice.truth import Severity
from server.solver import profile_as_json
from server.solver.machine.profile import Corner
from server.sources.base import NoPicture, Pixels, Place, Shot

__all__ = ["PracticeSource"]


class PracticeSource:
    """The simulated laser with its camera and hand; its true state never leaves it."""

    kind = "practice"
    reads = True
    frame_age_s = 0.5

    def __init__(self, machine: PracticeMachine | None = None) -> None:
        self._lock = threading.RLock()
        self._use(machine or PracticeMachine(secrets.randbelow(1_000_000)))

    def machine(self) -> Json | None:
        return profile_as_json(self.laser.profile)

    def frame(self) -> Pixels:
        with self._lock:
            return self._newest()

    @property
    def problem(self) -> str | None:
        return None

    @property
    def focus(self) -> str | None:
        return None

    def look(self, *, newer_than: int, timeout_s: float) -> FrameLike:
        try:
            return self._camera.newest(newer_than=newer_than, timeout_s=timeout_s)
        except (RuntimeError, TimeoutError) as error:
            raise NoPicture(str(error)) from error

    def set_pace(self, frames_per_s: float) -> None:
        """Do nothing: frames are drawn when asked for."""

    def hold_light(self, hold: bool) -> None:
        """Do nothing: the practice light never changes."""

    def hang(self, place: Place) -> None:
        with self._lock:
            self.laser.hang(place.station)
            self.laser.move_head(place.head_mm)
            self.laser.fresh_card()

    def shot(self) -> Shot:
        with self._lock:
            before = self._newest()
            self.laser.pulse()
            return Shot(self._newest(), before)

    def taken(self, after: Pixels) -> None:
        """Do nothing: the next shot takes its own picture from before the pulse."""

    def turn(self, mount: int, screw: str, turns: float) -> None:
        with self._lock:
            self.laser.turn(mount, screw, turns)

    def ease(self, mount: int, screw: str, turns: float) -> None:
        """Turn by exactly that much while the laser marks a film that fades."""
        with self._lock:
            self.laser.ease(mount, screw, turns)
            self.laser.glow()

    def shift(self, part: str, move_mm: list[float]) -> None:
        with self._lock:
            x_mm, y_mm, z_mm = move_mm
            self.laser.shift(part, (x_mm, y_mm, z_mm))

    def inspected(self, cause: str, outcome: str) -> None:
        """Do nothing: the practice laser has no faults that an inspection could find."""

    def renew(self, options: Json) -> None:
        seed = int(options.get("seed", secrets.randbelow(1_000_000)))
        severity: Severity = "rebuilt" if options.get("severity") == "rebuilt" else "drifted"
        corner: Corner = "back-right" if options.get("corner") == "back-right" else "back-left"
        self._use(
            PracticeMachine(seed, default_profile(corner), severity=severity), above=self._camera.number
        )

    def to_json(self) -> Json:
        with self._lock:
            return self.laser.to_json()

    def restore(self, data: Json) -> None:
        self._use(PracticeMachine.from_json(data), above=self._camera.number)

    def close(self) -> None:
        self._camera.stop()

    def _newest(self) -> Pixels:
        # drawn again whenever the machine has changed since the last frame
        return self._camera.newest().pixels

    def _use(self, machine: PracticeMachine, *, above: int = -1) -> None:
        """Use this machine from now on; number its frames from ``above`` on."""
        with self._lock:
            self.laser = machine
            self._camera = PracticeCamera(machine, above=above)
            self._camera.start()
