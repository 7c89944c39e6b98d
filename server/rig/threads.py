"""The threads that run while pages are served: frame loop, hardware, recorder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from firmware.health import HealthWatch
from firmware.profile import RigProfile
from server.rig.camera_notice import CameraNotice
from server.rig.frame_loop import FrameLoop, Keep
from server.rig.live_marks import LiveMarks
from server.rig.recorder import Recorder
from server.rig.session_hardware import SessionHardware
from server.rig.signals import PanelRetry
from server.session.card_scale import CardScale
from server.session.session import Session

__all__ = ["SessionThreads"]


class SessionThreads:
    """The threads around one session, from ``start`` to ``stop``.

    profile : what is connected. data : the folder whose disk is checked. record : folder for a recording, or
    None. watched : whether a page is open. scale : of the printed cards. welcome : returns the text that the
    status light spells at a first start, until somebody answers on the page. say : prints one line.
    Raises OSError if the recording cannot be written.
    """

    def __init__(
        self,
        session: Session,
        *,
        profile: RigProfile,
        data: Path,
        record: Path | None = None,
        watched: Callable[[], bool] = lambda: True,
        welcome: Callable[[], str | None] = lambda: None,
        say: Callable[[str], object] = lambda _: None,
        scale: CardScale | None = None,
    ) -> None:
        self._session = session
        self._recorder = Recorder(record) if record else None
        keep = self._recorder.keep if self._recorder else None
        self._frame_loop = self._seeing(watched, keep, scale) if session.source.kind != "offline" else None
        self._notice = CameraNotice(session.source, self._camera_seen, say)
        retry = PanelRetry(profile.used_pins(), silent=profile.panel.silent)
        self._hardware = SessionHardware(
            session,
            retry=retry,
            health=HealthWatch(data),
            frame_loop=self._frame_loop,
            recorder=self._recorder,
            dark_film=profile.panel.film == "dark",
            welcome=welcome,
        )
        if self._recorder is not None:
            self._recorder.note(session.beginning())
            session.listeners.append(self._recorder.note)

    def _seeing(self, watched: Callable[[], bool], keep: Keep | None, scale: CardScale | None) -> FrameLoop:
        """Return the frame loop; the practice laser's needs no card scale, and runs only for an open page."""
        practice = self._session.source.kind == "practice"
        return FrameLoop(
            LiveMarks(self._session),
            self._session.source,
            watched=watched if practice else lambda: True,
            keep=keep,
            scale=None if practice else scale,
        )

    def _camera_seen(self) -> bool:
        return self._frame_loop is None or self._frame_loop.seen

    @property
    def alive(self) -> dict[str, Callable[[], bool]]:
        """For each thread, a function that returns whether it is alive; for a watchdog."""
        frame_loop = {} if self._frame_loop is None else {"frame loop": self._frame_loop.alive}
        return {**frame_loop, "panel": self._hardware.alive}

    def start(self) -> None:
        """Start all threads."""
        if self._frame_loop is not None:
            self._frame_loop.start()
        self._notice.start()
        self._hardware.start()

    def stop(self) -> None:
        """Stop all threads; the camera is released and every lamp is off when this returns."""
        self._notice.stop()
        if self._frame_loop is not None:
            self._frame_loop.stop()
        self._hardware.stop()
        self._session.source.close()
        if self._recorder is not None:
            self._session.listeners.remove(self._recorder.note)
            self._recorder.close()
