"""Write a clip for given measurements: `python -m hardware.clip --mount-diameter 40 --out clip`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from manifold3d import Manifold

from hardware.checks import check_clip, front_mm
from hardware.drawing import write_drawing
from hardware.files import write_body
from hardware.holds import clip_body
from hardware.hood import hood_body
from hardware.measures import CAMERAS, CARDS, MOUNTS, Measures, Unbuildable
from hardware.plug import plug_body, profile_line, to_card_mm

_AT_THE_NOZZLE = {"card": "standard", "camera": "standard"}  # nearer, the nozzle would hide markers
_SPARE_MM = 4.0  # clearance below the nozzle's clip
_PETG_G_PER_CM3 = 1.27  # usual for PETG filament; from memory


@click.command(
    help="Write a clip, its centring plug and the lens's hood as STL and 3MF, and a drawing (SVG). "
    "Lengths in mm. The defaults give the clip for the nearest stations: small card, wide camera."
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write to."
)
@click.option(
    "--mount", type=click.Choice(MOUNTS), default="round", show_default=True, help="What the clip sits on."
)
@click.option(
    "--mount-diameter", "--mount-side", "mount_mm", type=float, help="Outside diameter, or side of a square."
)
@click.option(
    "--aperture",
    type=float,
    help="Clear diameter of the mount, for the plug.  [default: 2/5 of the mount; nozzle 1/5]",
)
@click.option("--grip", "grip_mm", type=float, help="How much of a round collar or nozzle is free.")
@click.option("--nozzle-tip", "tip_mm", type=float, help="From the nozzle's tip up to its full diameter.")
@click.option("--nozzle-tip-diameter", "tip_diameter_mm", type=float, help="How wide the nozzle's tip is.")
@click.option("--gap", "gap_mm", type=float, help="From the nozzle's tip down to the card.")
@click.option(
    "--deflects",
    type=click.Choice(["left", "right"]),
    help="A bracket's mirror sends the beam there, as seen along the beam.",
)
@click.option(
    "--card", type=click.Choice(list(CARDS)), help="Size of the card.  [default: small; nozzle standard]"
)
@click.option("--card-thickness", "card_mm", type=float, help="Thickness of the card with its board.")
@click.option("--stop-thickness", "stop_mm", type=float, help="Thickness of the beam stop.")
@click.option(
    "--tilt", "tilt_deg", type=float, help="From the card's normal to the lens, degrees.  [default: 35]"
)
@click.option(
    "--camera",
    type=click.Choice(list(CAMERAS)),
    help="Which camera; none makes a holder for card and beam stop.  [default: wide; nozzle standard]",
)
@click.option("--magnet", "magnet_mm", type=float, nargs=2, help="Diameter and thickness of the magnets.")
def main(out: Path, mount: str, aperture: float | None, **given: Any) -> None:
    """Write the files and say what was checked; exit status 2 if no clip fits the measurements."""
    wanted = (_AT_THE_NOZZLE if mount == "nozzle" else {}) | {k: v for k, v in given.items() if v is not None}
    try:
        m = Measures(mount=mount, **wanted)
        bodies = _bodies(m, aperture)
    except Unbuildable as error:
        raise click.UsageError(str(error)) from None
    checks = check_clip(bodies["clip"], m)
    failed = [check for check in checks if not check.holds]
    if failed:
        advice = "try another tilt, another camera, the other card or smaller magnets"
        raise click.UsageError("; ".join(str(c)[5:] for c in failed) + f": {advice}")
    paths = [path for name, body in bodies.items() for path in write_body(out, name, body)]
    paths.append(write_drawing(out / "clip.svg", bodies["clip"], m))
    for line in [*map(str, checks), *(f"wrote {path}" for path in paths), *notes(bodies["clip"], m)]:
        click.echo(line)


def _bodies(m: Measures, aperture: float | None) -> dict[str, Manifold]:
    found = {"clip": clip_body(m)}
    if m.mount != "bracket":
        found["plug"] = plug_body(m, aperture_mm=aperture or m.mount_mm / (5 if m.mount == "nozzle" else 2.5))
    return found if m.camera == "none" else found | {"hood": hood_body(m)}


def notes(body: Manifold, m: Measures) -> list[str]:
    """Return what the builder needs to know: plastic, room, the lens's setting, the card's plane."""
    volume, before = body.volume() / 1000, to_card_mm(m)
    said = [f"about {volume:.0f} cm³ of plastic if solid, {volume * _PETG_G_PER_CM3:.0f} g of PETG"]
    if m.camera != "none":
        said.append(f"the lens stands {m.distance_mm:g} mm from the card: focus at {m.dioptres:.1f} dioptres")
    if m.mount == "nozzle":
        below = m.gap_mm + body.bounding_box()[4] + _SPARE_MM
        said.append(
            f"below the tip it needs {below:.0f} mm: lower the bed by {below:.0f} mm before it is seated"
        )
        if m.camera != "none":
            said.append(
                f"the camera stands to the front, {front_mm(body, m) - m.gap_mm:.0f} mm above the tip"
            )
        return [*said, profile_line(m.mount, before)]
    before_what = "the middle of the bracket's mirror" if m.mount == "bracket" else "the mount's face"
    said.append(
        f"it stands {before + front_mm(body, m):.0f} mm before {before_what}: leave more than that free"
    )
    return [*said, profile_line(m.mount, before)]


if __name__ == "__main__":
    main()
