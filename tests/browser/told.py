"""States that a page can get, one of each kind, made by the server's own view without playing up to them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from server.pages.view import page_state
from server.session.check import Check
from server.session.snapshot import CardInPicture, Hardware, LiveMark, Snapshot
from server.sources.base import Place
from tests.pages.doubles import BACK_LEFT, FRONT_LEFT, STEPS, VERDICT
from tests.pages.test_view import row, seen, snapshot

Json = dict[str, Any]
AT_2: Json = {"station": "mirror-2", "head_mm": FRONT_LEFT}
MARK, TURN, SHIFT, INSPECT, DONE = STEPS[1:6]
FAULT: Json = {
    "do": "stop",
    "reason": "gantry-racking was not fixed",
    "say": "The gantry does not stand square.",
}
NEARLY: Json = VERDICT | {"overlap_mm": {"mirror-2": 0.4, "mirror-3": 1.3}}
CARD_OF_3 = CardInPicture(
    "mirror-3", ((9.0, 0.0, 640.0), (0.0, -9.0, 360.0), (0.0, 0.0, 1.0)), (1280, 720), 4
)
LIVE = {
    "go": [1.2, 0.4],
    "stop": [0.45, 0.15],
    "far": [-1.2, -0.6],
    "back": [3.2, 1.6],
    "aside": [0.4, 1.9],
}

# a page that gets its states from the test alone, as it would from the server's stream
STREAM = """
globalThis.EventSource = class {
  static OPEN = 1; static CLOSED = 2; static CONNECTING = 0;
  constructor() {
    this.readyState = 1;
    this.heard = {};
    globalThis.tell = (kind, data) => this.heard[kind]?.({ data: JSON.stringify(data) });
    globalThis.beating = setInterval(() => globalThis.tell("beat", {}), 500);
  }
  addEventListener(kind, hear) { this.heard[kind] = hear; }
  close() { clearInterval(globalThis.beating); }
};
"""


def _moved(part: str, move_mm: list[float]) -> Snapshot:
    return snapshot({**SHIFT, "part": part, "move_mm": move_mm}, source="camera")


def _snapshots() -> dict[str, Snapshot]:
    there = {"place": AT_2}
    return {
        "read": snapshot(MARK, cautions=False),
        "pulse": snapshot(MARK, **there),
        "hang": snapshot(MARK),
        "hang anywhere": snapshot({**MARK, "head_mm": [1320.0, 410.0]}),
        "tape": snapshot(MARK, used=True, **there),
        "hang again": snapshot({**MARK, "hang": "anew"}, used=True, **there),
        "walk": snapshot(MARK, place={**AT_2, "head_mm": BACK_LEFT}),
        "look, no mark": snapshot(MARK, misses=1, **there),
        "wrong card": snapshot(MARK, source="camera", card=CARD_OF_3, **there),
        "look, which": snapshot(MARK, candidates=[[1.2, -0.4], [3.1, 0.2]], **there),
        "turn": snapshot(TURN, source="camera", events=[row(seen("mirror-2", 2.0, 1.0, FRONT_LEFT))]),
        "turn a little": snapshot({**TURN, "turns": 1 / 64, "screw": "side"}, source="camera"),
        "turn far": snapshot({**TURN, "turns": 1 + 13 / 64, "mount": 3}),
        "turn, on film": snapshot(TURN, source="camera", film=True, **there),
        "shift": snapshot(SHIFT),
        "shift one end": _moved("tube-far", [0, 0, -3.2]),
        "shift a mount": _moved("mirror-2", [3.2, 0, 0]),
        "inspect": snapshot(INSPECT),
        "done": snapshot({**DONE, "verdict": VERDICT}),
        "nearly": snapshot({**DONE, "verdict": NEARLY}),
        "check, good": _checked(0.2),
        "check, off": _checked(3.4),
        "check, double": _checked(0.2, "double"),
        "fault": snapshot(FAULT),
        **{f"live, {kind}": _live(offset_mm) for kind, offset_mm in LIVE.items()},
    }


def _checked(apart_mm: float, shape: str = "round") -> Snapshot:
    here, there = Place("mirror-3", (0.0, 1000.0)), Place("mirror-3", (1600.0, 0.0))
    marks = [(here, 0.0), (there, apart_mm)]
    rows = [replace(row(seen(place.station, u, 0.0, list(place.head_mm))), shape=shape) for place, u in marks]
    return snapshot(MARK, events=rows, check=Check("weak-far", (here, there)))


def _live(offset_mm: list[float]) -> Snapshot:
    live = LiveMark("mirror-2", (offset_mm[0], offset_mm[1]), (0.05, 0.05), 0.0, 1.0)
    before = row(seen("mirror-2", 2.0, 1.0, FRONT_LEFT))
    return replace(snapshot(TURN, place=AT_2, events=[before]), rig=Hardware(live=live))


def told_states() -> dict[str, Json]:
    """Return the page's state for each, by name; each looks like a run of its own."""
    around = {"holder": None, "units": "mm", "bars_mm": None}
    states = {name: page_state(known, datetime.now(UTC)) | around for name, known in _snapshots().items()}
    for name in LIVE:
        assert states[f"live, {name}"]["way"]["kind"] == name
    return {name: {**state, "run": name} for name, state in states.items()}
