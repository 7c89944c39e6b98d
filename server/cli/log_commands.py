"""``spotwright log …``: list, export, check, copy and restore the log."""

from __future__ import annotations

import gc
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from server.cli.log_words import LIST_HEAD, event_line, listed, shown_path
from server.cli.progress import Bars
from server.cli.refusals import Refusal
from server.log import (
    Access,
    Damaged,
    Log,
    LogError,
    PictureRule,
    back_up,
    check,
    default_folder,
    draw_chart,
    import_folder,
    import_json,
    one_line,
    rescue,
    restore,
    what_to_draw,
    written_whole,
)

_SEE_RESCUE = "see 'spotwright log rescue --help'"


class OneLine(click.Group):
    """A group that turns every fault of the log or the disk into one line and exit status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except (LogError, OSError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            raise Refusal(_reason(error).encode("utf-8", "backslashreplace").decode()) from error


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
    help="Folder of the log; by default your user data folder.",
)


@click.group(cls=OneLine, invoke_without_command=True, short_help="List, export, check and copy the log.")
@data_option
@click.pass_context
def log(ctx: click.Context, data: Path) -> None:
    """List, export, check and copy the log of readings and turns."""
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
    click.echo(LIST_HEAD)
    for row in rows:
        click.echo(listed(row))
    damaged = sum(row["damaged"] for row in rows)
    _end_of((*book.lost, *([f"{damaged} of these are damaged", _SEE_RESCUE] if damaged else ())))


def _end_of(lost: tuple[str, ...]) -> None:
    """Say what is damaged; exit status 1 if anything is."""
    for line in lost:
        click.echo(line, err=True)
    if lost:
        click.get_current_context().exit(1)


@log.command()
@click.argument("number", type=int)
@data_option
def show(number: int, data: Path) -> None:
    """Show what happened in alignment NUMBER."""
    with _opened(data) as book:
        events = book.events(number)
        try:
            machine, faults = book.machine(number), []
        except Damaged:
            machine, faults = {}, ["its laser or its note is damaged"]
    for place, row in enumerate(events, start=1):
        click.echo(event_line(place, row, machine))
    damaged = sum(row["damaged"] for row in events)
    faults += [f"{damaged} of its entries are damaged"] if damaged else []
    more = [_SEE_RESCUE] if faults else []
    _end_of((*book.lost, *faults, *more))


@log.command(short_help="Write the log as CSV and as JSON.")
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option(
    "--csv", "csv_file", type=click.Path(path_type=Path), help="Only CSV, to this file; - prints it."
)
@click.option(
    "--json", "json_file", type=click.Path(path_type=Path), help="Only JSON, to this file; - prints it."
)
@click.option("--alignment", "number", type=int, help="Only this one, by its number in 'log list'.")
@click.option("--document", is_flag=True, help="As an alignment document, for 'spotwright next'.")
@data_option
def export(
    folder: Path | None,
    csv_file: Path | None,
    json_file: Path | None,
    number: int | None,
    document: bool,
    data: Path,
) -> None:
    """Write the log as CSV and as JSON: spotwright-log.csv and .json in FOLDER (by default: here).

    With --alignment NUMBER --document, write that alignment as an alignment document, to FOLDER
    (alignment-NUMBER.json) or, without FOLDER, to standard output.
    """
    if document != (number is not None):
        raise click.UsageError("--alignment NUMBER and --document go together")
    if number is not None:
        return _export_document(number, folder, data)
    if folder or not (csv_file or json_file):
        place = folder or Path()
        with one_line(place):
            place.mkdir(parents=True, exist_ok=True)
        csv_file = csv_file or place / "spotwright-log.csv"
        json_file = json_file or place / "spotwright-log.json"
    with _opened(data) as book:
        for path, texts in ((csv_file, book.csv_texts()), (json_file, book.json_texts())):
            if path is not None:
                _write(path, texts)
    _end_of(tuple(dict.fromkeys(book.lost)))


def _export_document(number: int, folder: Path | None, data: Path) -> None:
    with _opened(data) as book:
        text = json.dumps(book.document(number), indent=1) + "\n"
    if folder is None:
        click.echo(text, nl=False)
        return
    with one_line(folder):
        folder.mkdir(parents=True, exist_ok=True)
    _write(folder / f"alignment-{number}.json", iter([text]))


def _write(path: Path, texts: Iterator[str]) -> None:
    if str(path) == "-":
        sys.stdout.writelines(texts)
        sys.stdout.flush()
        return
    with one_line(path), written_whole(path, sync=False) as file:
        file.writelines(map(str.encode, texts))
    click.echo(shown_path(path))


@log.command("import", short_help="Add an export, a backup or another log.")
@click.argument("source", type=click.Path(exists=True, path_type=Path))
@data_option
def import_(source: Path, data: Path) -> None:
    """Add SOURCE: a JSON export, or the folder of a backup or of another log. Twice does no harm.

    Everything is checked before anything is written. Nothing imported becomes the alignment under way.
    """
    from server.session.import_check import check_alignment

    with _opened(data, "create") as book, Bars() as tell:
        if source.is_dir():
            new = import_folder(book, source, judge=check_alignment, tell=tell)
        else:
            with source.open(encoding="utf-8-sig") as stream:
                new = import_json(book, stream, judge=check_alignment, tell=tell)
    click.echo(f"new: {new.alignments} alignments, {new.events} events, {new.pictures} pictures")
    _end_of((*_rescued(book), *new.lost))


def _rescued(book: Log) -> tuple[str, ...]:
    """Say what was done because the log was damaged when it was opened."""
    if book.rescued is None:
        return ()
    return (f"the log was damaged; it is now in {book.rescued.aside}", *book.rescued.lost)


@log.command(short_help="Chart how far off the marks were over the years.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--practice", is_flag=True, help="Chart the practice laser instead of the real ones.")
@click.option("--laser", help="Only the laser with that name.")
@data_option
def chart(file: Path, practice: bool, laser: str | None, data: Path) -> None:
    """Chart how far off the marks were before and after each alignment, to FILE (.svg, .png or .pdf)."""
    kind = file.suffix.removeprefix(".").lower()
    if kind not in ("svg", "png", "pdf"):
        raise click.UsageError(f"{shown_path(file)}: name it .svg, .png or .pdf")
    sources = ("practice",) if practice else ("camera", "offline")
    gc.disable()  # a run this short leaves no garbage, and collecting takes a twelfth of the time
    try:
        with _opened(data) as book:
            if (why_not := what_to_draw(book, sources=sources, laser=laser)) is not None:
                raise Refusal(f"nothing to draw: {why_not}")
            with one_line(file), written_whole(file, sync=False) as stream:
                draw_chart(book, stream, kind=kind, sources=sources, laser=laser)
    finally:
        gc.enable()
    click.echo(shown_path(file))
    _end_of(book.lost)


@log.command(short_help="Set which pictures may be deleted, and delete them.")
@click.option(
    "--keep-alignments", type=click.IntRange(min=1), help="Keep the pictures of this many newest alignments."
)
@click.option(
    "--keep-gb", type=click.FloatRange(min=0), help="Keep at most this many GB (10⁹ bytes) of pictures."
)
@click.option("--keep-all", is_flag=True, help="Remove the rule: delete no pictures.")
@data_option
def prune(keep_alignments: int | None, keep_gb: float | None, keep_all: bool, data: Path) -> None:
    """Set which pictures may be deleted, and delete them; never readings. Without options: as set before.

    The rule is applied again whenever an alignment begins. The newest alignment keeps its pictures.
    """
    with _opened(data, "existing") as book, Bars() as tell:
        if keep_all or keep_alignments is not None or keep_gb is not None:
            book.set_picture_rule(PictureRule(keep_alignments, keep_gb))
        gone = book.prune(tell=tell)
    click.echo(f"{gone.pictures} pictures removed, {gone.size_bytes / 1e6:.1f} MB freed")
    _end_of(_rescued(book))


@log.command("check", short_help="Read the whole log and say what is damaged.")
@data_option
@click.pass_context
def check_(ctx: click.Context, data: Path) -> None:
    """Read the whole log, every picture and every settings file; exit status 1 if anything is damaged."""
    from server.pages.settings_check import settings_faults

    with Bars() as tell:
        health = check(data, tell=tell)
    faults = settings_faults(data)
    for problem in (*health.problems, *faults):
        click.echo(problem, err=True)
    if health.problems:
        click.echo(
            "'spotwright log rescue' saves everything readable, and fills gaps from a backup", err=True
        )
    if health.problems or faults:
        ctx.exit(1)
    click.echo(_amount(health) + ": all whole")


def _amount(health: Any) -> str:
    return f"{health.alignments} alignments, {health.events} events, {health.pictures} pictures"


@log.command(short_help="Copy the log to a folder, even while it is in use.")
@click.argument("folder", type=click.Path(path_type=Path))
@data_option
def backup(folder: Path, data: Path) -> None:
    """Copy the log to FOLDER, even while it is in use; an older backup there is replaced.

    The copy is checked before it replaces the old one. Exit status 1 if the log is damaged: then the old
    backup stays, and everything readable is written beside it as spotwright-rescued.db.
    """
    with Bars() as tell:
        health = back_up(data, folder, tell=tell)
    click.echo(f"{shown_path(folder)}: {_amount(health)} saved")
    _end_of(health.problems)


@log.command("restore", short_help="Bring a backup back.")
@click.argument("folder", type=click.Path(exists=True, path_type=Path))
@click.option("--replace", is_flag=True, help="If a log is already there, keep it beside the new one.")
@data_option
def restore_(folder: Path, replace: bool, data: Path) -> None:
    """Bring back the backup in FOLDER (or a database file: spotwright-rescued.db)."""
    with Bars() as tell:
        health = restore(folder, data, replace=replace, tell=tell)
    click.echo(f"{shown_path(data)}: {_amount(health)} restored")


@log.command("rescue", short_help="Save everything readable from a damaged log.")
@click.argument("backups", nargs=-1, type=click.Path(exists=True, path_type=Path))
@data_option
def rescue_(backups: tuple[Path, ...], data: Path) -> None:
    """Save everything readable from a damaged log, and go on with that.

    The damaged log is put aside as spotwright-damaged-1.db. BACKUPS (folders or files) fill the gaps. What is
    lost is listed alignment by alignment, with exit status 1.
    """
    with Bars() as tell:
        found = rescue(data, backups, tell=tell)
    if found.aside is not None:
        click.echo(f"the damaged log is now {shown_path(found.aside)}")
    click.echo(f"{shown_path(data)}: {_amount(found)} saved")
    _end_of(found.lost)
