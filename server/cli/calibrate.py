"""`spotwright calibrate`: measure a camera's lens, once, from photos of a printed grid."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.arguments import picture
from server.cli.progress import Bars
from server.cli.refusals import Refusal

if TYPE_CHECKING:
    from vision import CameraModel


LONGEST = 100_000  # bytes of a lens file


@click.command(short_help="Measure a camera's lens from photos of a grid.")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--grid", type=click.Path(path_type=Path), help="Write the grid to this PDF; print it at 100 %."
)
@click.option("--out", type=click.Path(path_type=Path), help="Write the measured lens to this file.")
def calibrate(photos: tuple[Path, ...], grid: Path | None, out: Path | None) -> None:
    """Measure a camera's lens from PHOTOS of the printed grid, for 'spotwright read --camera FILE'."""
    if grid is None and not photos:
        raise click.UsageError("give --grid FILE to write the grid, or PHOTOS of it to measure the camera")
    if photos and out is None:
        raise click.UsageError("say where to write the measured lens: --out FILE")
    import vision
    from vision.files import write_whole

    try:
        if grid is not None:
            vision.write_grid_pdf(grid)
            click.echo(grid)
        if photos and out is not None:
            model = _measured(photos)
            write_whole(out, (json.dumps(model.as_json(), indent=1) + "\n").encode())
            click.echo(f"{out}: the lens, measured from {len(photos)} photos")
    except vision.CalibrationFailed as error:
        raise Refusal(str(error)) from error
    except OSError as error:
        raise Refusal(f"{error.filename or grid or out}: {error.strerror or error}") from error


def _measured(photos: tuple[Path, ...]) -> CameraModel:
    import vision

    with Bars() as tell:
        pictures, progress = [], tell.each("photos", 2 * len(photos))
        for path in photos:
            pictures.append(picture(path))
            progress()
        return vision.calibrate(pictures, told=progress)


def load_camera(path: Path) -> CameraModel:
    """Return the lens that `spotwright calibrate --out` wrote; raises Refusal, one line, if unreadable."""
    import vision

    try:
        with path.open("rb") as file:
            text = file.read(LONGEST)
        return vision.CameraModel.from_json(json.loads(text.decode("utf-8")))
    except OSError as error:
        raise Refusal(f"{path}: cannot be read ({error.strerror or error})") from error
    except RecursionError:
        raise Refusal(f"{path}: not a file that 'spotwright calibrate' wrote (nested too deeply)") from None
    except (ValueError, vision.CalibrationFailed) as error:
        raise Refusal(f"{path}: not a file that 'spotwright calibrate' wrote ({error})") from error
