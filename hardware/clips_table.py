"""The table of clips in the README, from the same numbers that the command prints."""

from __future__ import annotations

from hardware.checks import front_mm
from hardware.holds import clip_body
from hardware.measures import Measures
from hardware.plug import to_card_mm

CLIPS = {
    "round collar of 40": Measures(),
    "square face of 50": Measures(mount="square", mount_mm=50),
    "open bracket, plate of 50": Measures(mount="bracket", mount_mm=50),
    "round collar of 40, larger card": Measures(card="standard"),
    "round collar of 40, other camera": Measures(card="standard", camera="standard"),
    "square face of 50, other camera": Measures(
        mount="square", mount_mm=50, card="standard", camera="standard"
    ),
    "round collar of 40, no camera": Measures(camera="none"),
    "square face of 50, no camera": Measures(mount="square", mount_mm=50, camera="none"),
    "open bracket, no camera": Measures(mount="bracket", mount_mm=50, camera="none"),
    "nozzle of 20": Measures(mount="nozzle", mount_mm=20, card="standard", camera="standard"),
}


def table() -> str:
    """Return the rows of the table, one line each."""
    return "\n".join(_row(name, m) for name, m in CLIPS.items())


def _row(name: str, m: Measures) -> str:
    before, front = to_card_mm(m), front_mm(clip_body(m), m)
    stands = (
        f"{before + front:.0f}" if m.mount != "nozzle" else f"camera {front - m.gap_mm:.0f} above the tip"
    )
    plane = f"{before:.1f}" if m.mount != "nozzle" else f"{-before:.1f}"
    if m.camera == "none":
        return f"| {name} | none | {m.card} | {stands} | | | | {plane} |"
    lens = f"{m.distance_mm:g} | {m.dioptres:.1f} | {100 * m.in_view(m.distance_mm):.0f}"
    return f"| {name} | {m.camera} | {m.card} | {stands} | {lens} | {plane} |"
