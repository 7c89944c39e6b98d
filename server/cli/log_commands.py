"""``spotwright log …``: what was read and turned, listed, exported, checked, copied and brought back."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from server.cli.refusals import Refusal
from server.log import (
    Access,
    Log,
    LogError,
    PictureRule,
    back_up,
    check,
    default_folder,
    draw_chart,
    import_folder,
    import_json,
    restore,
    written_whole,
)


class OneLine(click.Group):
    """A group in which every fault of the log or the disk ends in one line and exit status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except (LogError, OSError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            raise Refusal(_reason(error)) from error


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and not isinstance(error, LogError):
        return f"{error.filename or 'output'}: {error.strerror or error}"
    return str(error)


def _choose(ctx: click.Context, _: click.Parameter, value: Path | None) -> Path:
    outer = ctx.parent.params.get("data") if ctx.parent else None
    return value or outer or default_folder()


data_option = click.option(
    "--data",
    type=click.Path(path_type=Path),
    callback=_choose,
    help="Folder that keeps the readings; by default the place for your own data.",
)


@click.group(cls=OneLine, invoke_without_command=True)
@data_option
@click.pass_context
def log(ctx: click.Context, data: Path) -> None:
    """What was read and turned: list it, export it, check it, copy it."""
    if ctx.invoked_subcommand is None:
        _list(data)


def _opened(data: Path, access: Access = "read-only") -> Log:
    return Log(data, access=access)


@log.command("list")
@data_option
def list_(data: Path) -> None:
    """List all alignments, oldest first."""
    _list(data)


def _list(data: Path) -> None:
    with _opened(data) as book:
        rows = book.alignments()
    click.echo("   no  begun (UTC)       by        events  state     laser")
    for row in rows:
        begun = row["started"][:16].replace("T", " ")
        note = f" ({row['note']})" if row["note"] else ""
        numbers = f"{row['id']:5d}  {begun}  {row['source']:8}  {row['events']:6d}"
        click.echo(f"{numbers}  {_state(row):8}  {row['machine'] or '?'}{note}")


def _state(row: dict[str, Any]) -> str:
    if row["done"]:
        return "aligned" if (row["verdict"] or {}).get("aligned") else "stopped"
    return "open"


@log.command()
@click.argument("number", type=int)
@data_option
def show(number: int, data: Path) -> None:
    """Show what happened in alignment NUMBER."""
    with _opened(data) as book:
        events = book.events(number)
    for place, row in enumerate(events, start=1):
        taken_back = "  (withdrawn)" if row["withdrawn"] else ""
        click.echo(f"{place:4d}  {row['when'][:19]}  {_words(row['event'])}{taken_back}")


def _words(event: dict[str, Any]) -> str:
    rest = (f"{key}={value}" for key, value in event.items() if key != "kind")
    return " ".join((event["kind"], *rest))


@log.command()
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option(
    "--csv", "csv_file", type=click.Path(path_type=Path), help="Only CSV, to this file; - prints it."
)
@click.option("--json", "json_file", type=click.Path(path_type=Path), help="Only JSON, likewise.")
@data_option
def export(folder: Path | None, csv_file: Path | None, json_file: Path | None, data: Path) -> None:
    """Write the log as CSV and as JSON: spotwright-log.csv and .json in FOLDER (by default: here)."""
    if folder or not (csv_file or json_file):
        place = folder or Path()
        place.mkdir(parents=True, exist_ok=True)
        csv_file = csv_file or place / "spotwright-log.csv"
        json_file = json_file or place / "spotwright-log.json"
    with _opened(data) as book:
        for path, texts in ((csv_file, book.csv_texts()), (json_file, book.json_texts())):
            if path is not None:
                _write(path, texts)


def _write(path: Path, texts: Iterator[str]) -> None:
    if str(path) == "-":
        sys.stdout.writelines(texts)
        return
    with written_whole(path, sync=False) as file:
        file.writelines(map(str.encode, texts))
    click.echo(path)


@log.command("import")
@click.argument("source", type=click.Path(exists=True, path_type=Path))
@data_option
def import_(source: Path, data: Path) -> None:
    """Take in SOURCE: a JSON export, or the folder of a backup or of another log. Twice does no harm."""
    from server.session.events import readable

    with _opened(data, "create") as book:
        if source.is_dir():
            new = import_folder(book, source, judge=readable)
        else:
            with source.open(encoding="utf-8-sig") as stream:
                new = import_json(book, stream, judge=readable)
    click.echo(f"new: {new.alignments} alignments, {new.events} events, {new.pictures} pictures")


@log.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--practice", is_flag=True, help="Chart the practice laser instead of the real ones.")
@click.option("--laser", help="Only the laser of that name.")
@data_option
def chart(file: Path, practice: bool, laser: str | None, data: Path) -> None:
    """Draw how far off the marks were found and left over the years, to FILE (.svg, .png or .pdf)."""
    kind = file.suffix.removeprefix(".").lower()
    if kind not in ("svg", "png", "pdf"):
        raise click.UsageError(f"{file}: name it .svg, .png or .pdf")
    sources = ("practice",) if practice else ("camera", "offline")
    gc.disable()  # so short a life leaves nothing to collect, and looking for it is a twelfth of the wait
    try:
        with _opened(data) as book, file.open("wb") as stream:
            draw_chart(book, stream, kind=kind, sources=sources, laser=laser)
    finally:
        gc.enable()
    click.echo(file)


@log.command()
@click.option("--keep-alignments", type=click.IntRange(min=1), help="Keep those of the newest so many.")
@click.option("--keep-gb", type=click.FloatRange(min=0), help="Keep at most so many GB of pictures.")
@click.option("--keep-all", is_flag=True, help="Forget the rule: no picture goes any more.")
@data_option
def prune(keep_alignments: int | None, keep_gb: float | None, keep_all: bool, data: Path) -> None:
    """Set which pictures may go, and let them go; readings never go. Without options: as set before.

    The rule is applied again whenever an alignment begins. The newest alignment keeps its pictures.
    """
    with _opened(data, "existing") as book:
        if keep_all or keep_alignments is not None or keep_gb is not None:
            book.set_picture_rule(PictureRule(keep_alignments, keep_gb))
        gone = book.prune()
    click.echo(f"{gone.pictures} pictures removed, {gone.size_bytes / 1e6:.1f} MB freed")


@log.command("check")
@data_option
@click.pass_context
def check_(ctx: click.Context, data: Path) -> None:
    """Read the whole log and every picture; exit status 1 if anything is damaged."""
    health = check(data)
    for problem in health.problems:
        click.echo(problem, err=True)
    if health.problems:
        click.echo(
            "bring back a backup with 'spotwright log restore', or ask for help before going on", err=True
        )
        ctx.exit(1)
    click.echo(_amount(health) + ": all whole")


def _amount(health: Any) -> str:
    return f"{health.alignments} alignments, {health.events} events, {health.pictures} pictures"


@log.command()
@click.argument("folder", type=click.Path(path_type=Path))
@data_option
def backup(folder: Path, data: Path) -> None:
    """Copy the log to FOLDER, also while it is in use; an older backup there is renewed."""
    click.echo(f"{folder}: {_amount(back_up(data, folder))} saved")


@log.command("restore")
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Put a log that is there already aside, beside the new one.")
@data_option
def restore_(folder: Path, replace: bool, data: Path) -> None:
    """Bring the backup in FOLDER back."""
    click.echo(f"{data}: {_amount(restore(folder, data, replace=replace))} restored")
