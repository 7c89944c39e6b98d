"""Options and arguments that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from server.cli.refusals import Refusal

__all__ = ["BARS", "picture"]


def _two_bars(
    _: click.Context, option: click.Parameter, given: tuple[float, ...]
) -> tuple[float, float] | None:
    if len(given) > 2:
        raise click.BadParameter("given once, or twice: across and up", param=option)
    if not given:
        return None
    from server.session.card_scale import check_bars
    from vision import BarRefused

    try:
        check_bars(bars_mm := (given[0], given[-1]))
    except BarRefused as error:
        raise Refusal(f"--bar-mm: {error}") from error
    return bars_mm


BARS = click.option(
    "--bar-mm",
    "bars_mm",
    type=float,
    multiple=True,
    callback=_two_bars,
    help="Measured length of the card's check bar, in mm; twice: first the bar across, then the bar up.",
)


def picture(path: Path) -> Any:
    """Return the pixels of a photo; raises Refusal, one line, if it is not one."""
    import vision

    try:
        return vision.load_picture(path)
    except vision.PictureRefused as error:
        text = str(error)
        raise Refusal(text if text.startswith(str(path)) else f"{path}: {text}") from error
