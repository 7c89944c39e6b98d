"""What the panel shows of an alignment, for a local page and a remote one, and the driver of the panel."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from firmware.health import Finding, HealthWatch
from firmware.panel.panel import RHYTHMS, Panel, Signal, open_panel
from firmware.panel.parts import Pins
from server.log import Json
from server.session.events import MarkSeen
from server.session.snapshot import Snapshot

__all__ = ["PanelDriver", "PanelRetry", "PanelState", "faults_of", "panel_state"]

TRY_PINS_EVERY = 40  # ticks
TONE_TICKS = 5
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class PanelState:
    """What the panel should show of an alignment.

    glow : a pulse is due, so its glow is watched for. mark : the number of the newest mark, or None;
    distance_mm : how far it is from where it should be.
    """

    signal: Signal = "ready"
    glow: bool = False
    mark: int | None = None
    distance_mm: float | None = None

    def as_json(self) -> Json:
        return asdict(self)

    @classmethod
    def from_json(cls, data: Any) -> PanelState | None:
        """Return what a page sent, or None if it makes no sense."""
        try:
            signal, glow, mark, far = (data[key] for key in ("signal", "glow", "mark", "distance_mm"))
        except (KeyError, TypeError):
            return None
        good = (
            isinstance(signal, str)
            and signal in RHYTHMS
            and isinstance(glow, bool)
            and isinstance(mark, int | None)
        )
        return cls(signal, glow, mark, far) if good and isinstance(far, int | float | None) else None


def panel_state(snapshot: Snapshot) -> PanelState:
    """Return what the panel should show of a session, apart from faults."""
    signal, due = signal_for(snapshot), snapshot.pulse_is_due
    if snapshot.newest_mark is None:
        return PanelState(signal, due)
    number, mark = snapshot.newest_mark
    return PanelState(signal, due, number, _distance_mm(snapshot, mark))


class _Sees(Protocol):
    @property
    def fault(self) -> Finding | None: ...


class _Records(Protocol):
    @property
    def ended(self) -> str | None: ...


def faults_of(
    *,
    health: HealthWatch | None,
    problem: str | None,
    frame_loop: _Sees | None,
    recorder: _Records | None,
    missing: str | None,
) -> list[Finding]:
    """Return what is wrong now: temperature, disk, clock; camera or its picture; recording; pins."""
    found = list(health.findings()) if health else []
    if problem is not None:
        found.append(Finding("camera", problem, True))
    elif frame_loop is not None and frame_loop.fault is not None:
        found.append(frame_loop.fault)
    if recorder is not None and recorder.ended is not None:
        found.append(Finding("recording", recorder.ended, False))
    if missing is not None:
        found.append(Finding("panel", missing, False))
    return found


@dataclass
class PanelRetry:
    """The panel; opened again now and then while its pins are missing (another program may hold them)."""

    pins: Pins
    silent: bool = False
    opener: Callable[..., tuple[Panel, str | None]] = open_panel

    def __post_init__(self) -> None:
        self._waited = 0
        self.panel, self.missing = self.opener(self.pins, silent=self.silent)

    def came_back(self) -> bool:
        """Try again when it is time; returns whether the pins have just become available."""
        if self.missing is None:
            return False
        self._waited = (self._waited + 1) % TRY_PINS_EVERY
        if self._waited:
            return False
        self.panel, self.missing = self.opener(self.pins, silent=self.silent)
        return self.missing is None


class PanelDriver:
    """Shows a PanelState; calls ``pressed`` at the foot button and ``lid`` when the lid moves.

    known : the state at the start, so that an old mark is not sounded as a new one.
    """

    def __init__(
        self,
        retry: PanelRetry | None,
        *,
        dark_film: bool,
        pressed: Callable[[], None],
        lid: Callable[[], None] = lambda: None,
        known: PanelState | None = None,
    ) -> None:
        self._retry = retry or PanelRetry(Pins())
        self._dark_film, self._pressed, self._lid = dark_film, pressed, lid
        self._shown: tuple[bool, str] | None = None
        self._tone, self._known = 0, known
        self._listen()

    @property
    def missing(self) -> str | None:
        """Why the panel runs without its pins, or None."""
        return self._retry.missing

    @property
    def lid_closed(self) -> bool | None:
        """What the lid contact says; shown and logged, never acted on."""
        return self._retry.panel.lid_closed

    def tick(self, state: PanelState | None, faults: Iterable[Finding], *, spell: str | None = None) -> None:
        """Show it; None: no page has answered yet. ``spell``: a text to spell instead of any signal."""
        if self._retry.came_back():
            self._shown = None
            self._listen()
        shown = state or PanelState()
        urgent = any(fault.urgent for fault in faults)
        self._show(spell, "fault" if urgent else shown.signal)
        self._retry.panel.light(ring_level(glow=shown.glow, dark_film=self._dark_film))
        if state is not None:
            self._sound(state)

    def close(self) -> None:
        """Turn everything off; every lamp is off when this returns."""
        self._retry.panel.close()

    def _show(self, spell: str | None, signal: Signal) -> None:
        shown = (spell is not None, spell or signal)
        if shown == self._shown:
            return
        self._shown = shown
        if spell is not None:
            self._retry.panel.spell(spell)
        else:
            self._retry.panel.signal(signal)

    def _sound(self, state: PanelState) -> None:
        """Sound a new mark for a moment; not one that was there at the start."""
        if self._known is not None and state.mark not in (None, self._known.mark):
            self._tone = TONE_TICKS
            self._retry.panel.sound_distance(state.distance_mm)
        elif self._tone:
            self._tone -= 1
            if not self._tone:
                self._retry.panel.sound_distance(None)
        self._known = state

    def _listen(self) -> None:
        self._retry.panel.when_foot(self._pressed)
        self._retry.panel.when_lid(self._lid_moved)

    def _lid_moved(self, closed: bool) -> None:
        _log.info("lid %s", "closed" if closed else "open")
        self._lid()


def signal_for(snapshot: Snapshot) -> Signal:
    """Return what the status light shows while nothing is wrong."""
    if snapshot.pulse_is_due:
        return "working"
    waits = snapshot.step.do in ("turn", "shift", "inspect") or not snapshot.cautions
    return "look-here" if waits else "ready"


def ring_level(*, glow: bool, dark_film: bool) -> float:
    """Return how bright the lamp ring is: dimmed while a glow is watched for, or off with a dark film."""
    if not glow:
        return 1.0
    return 0.0 if dark_film else 0.3


def _distance_mm(snapshot: Snapshot, mark: MarkSeen) -> float:
    """Return how far the mark is from where it should be, or from the centre if nothing was predicted."""
    aim = snapshot.aimed
    goal = aim.offset_mm if aim is not None and aim.station == mark.station else (0.0, 0.0)
    return math.dist(mark.offset_mm, goal)
