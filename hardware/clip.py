"""Write a clip for given measurements: `python -m hardware.clip --mount-diameter 40 --out clip`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hardware.checks import check_clip
from hardware.drawing import write_drawing
from hardware.files import write_body
from hardware.holds import clip_body
from hardware.measures import CAMERAS, CARDS, MOUNTS, Measures, Unbuildable
from hardware.plug import plug_body

_BESIDE_THE_NOZZLE_DEG = 35.0  # the flattest allowed: the camera looks past the nozzle
_PETG_G_PER_CM3 = 1.27  # usual for PETG filament; from memory


@click.command(help="Write a clip and its centring plug as STL and 3MF, and a drawing (SVG). Lengths in mm.")
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
@click.option("--card", type=click.Choice(list(CARDS)), help="Size of the card.")
@click.option("--card-thickness", "card_mm", type=float, help="Thickness of the card's board.")
@click.option("--stop-thickness", "stop_mm", type=float, help="Thickness of the beam stop.")
@click.option(
    "--tilt", "tilt_deg", type=float, help="Camera to the card's normal, degrees.  [default: 30; nozzle 35]"
)
@click.option("--camera", type=click.Choice(list(CAMERAS)), help="Field of view of the camera.")
@click.option("--magnet", "magnet_mm", type=float, nargs=2, help="Diameter and thickness of the magnets.")
def main(out: Path, mount: str, aperture: float | None, **given: Any) -> None:
    """Write the files and say what was checked; exit status 2 where the measurements make no clip."""
    if mount == "nozzle":
        given["tilt_deg"] = given["tilt_deg"] or _BESIDE_THE_NOZZLE_DEG
    try:
        m = Measures(mount=mount, **{name: value for name, value in given.items() if value is not None})
        body, plug = (
            clip_body(m),
            plug_body(m, aperture_mm=aperture or m.mount_mm / (5 if mount == "nozzle" else 2.5)),
        )
    except Unbuildable as error:
        raise click.UsageError(str(error)) from None
    checks = check_clip(body, m)
    failed = [check for check in checks if not check.holds]
    if failed:
        advice = "try another tilt, the wide camera, the small card or smaller magnets"
        raise click.UsageError("; ".join(str(c)[5:] for c in failed) + f": {advice}")
    paths = [
        *write_body(out, "clip", body),
        *write_body(out, "plug", plug),
        write_drawing(out / "clip.svg", body, m),
    ]
    for line in [*map(str, checks), *(f"wrote {path}" for path in paths)]:
        click.echo(line)
    volume = body.volume() / 1000
    click.echo(f"about {volume:.0f} cm³ of plastic if solid, {volume * _PETG_G_PER_CM3:.0f} g of PETG")
    reach = -body.bounding_box()[1]
    click.echo(f"the lens stands {m.distance_mm:g} mm from the card at {m.tilt_deg:g}°")
    click.echo(
        f"the clip reaches {reach:.0f} mm towards the beam: leave more than that free before the mount"
    )


if __name__ == "__main__":
    main()
