"""The command line: parse the arguments, make one call to the part that does the work, print the result.

Exit status: 0 done, 1 a check found damage or the output was closed, 2 bad input (one line on standard
error), 3 a good picture without a card or a mark.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from importlib.metadata import version as installed_version
from io import UnsupportedOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import click

from server.cli.arguments import BARS, picture
from server.cli.progress import Bars
from server.cli.refusals import NotSeen, Refusal
from server.errors import plain

if TYPE_CHECKING:  # the heavy parts are imported by the command that needs them
    from vision import Mark, Reading

MAX_DOCUMENT_BYTES = 20_000_000


class LazyGroup(click.Group):
    """A group that imports some of its commands only when they are used."""

    lazy: ClassVar = {
        "log": "server.cli.log_commands",
        "calibrate": "server.cli.calibrate",
        "cameras": "server.cli.rig_commands",
        "doctor": "server.cli.rig_commands",
        "replay": "server.cli.rig_commands",
        "rig": "server.cli.rig_commands",
    }

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return sorted([*super().list_commands(ctx), *self.lazy])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name, or None."""
        if cmd_name not in self.lazy:
            return super().get_command(ctx, cmd_name)
        found: click.Command = getattr(import_module(self.lazy[cmd_name]), cmd_name)
        return found


@click.group(cls=LazyGroup, invoke_without_command=True)
@click.version_option(installed_version("spotwright"), prog_name="spotwright")
@click.pass_context
def spotwright(ctx: click.Context) -> None:
    """Align the beam of a CO2 gantry laser: which screw to turn, which way and how far."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@spotwright.command(short_help="Write the cards, to be printed at 100 %.")
@click.option("--pdf", type=click.Path(path_type=Path), help="Write all cards to this PDF, at true scale.")
@click.option("--png", type=click.Path(path_type=Path), help="Write one picture per card to this folder.")
@click.option(
    "--dpi", type=float, default=300.0, show_default=True, help="Pixels per inch of the pictures, 50 to 1200."
)
@click.option(
    "--size",
    type=click.Choice(["small", "standard", "large"]),
    default="standard",
    show_default=True,
    help="Small for mounts of 20 mm, large to search for a beam that misses.",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the PDF."
)
def cards(pdf: Path | None, png: Path | None, dpi: float, size: str, paper: Literal["a4", "letter"]) -> None:
    """Write the cards that hang at the mirrors and the nozzle, to be printed at 100 %."""
    if pdf is None and png is None:
        raise click.UsageError("say where to: --pdf FILE, --png FOLDER or both")
    if not (math.isfinite(dpi) and 50 <= dpi <= 1200):
        raise Refusal(f"--dpi {dpi:g}: must be between 50 and 1200")
    import vision

    try:
        written = _cards_png(png, dpi, size) if png else []
        if pdf:
            vision.write_cards_pdf(pdf, size=size, paper=paper)
            written.append(pdf)
    except OSError as error:
        raise Refusal(f"{error.filename or pdf or png}: {error.strerror or error}") from error
    for path in written:
        click.echo(path)


def _cards_png(folder: Path, dpi: float, size: str) -> list[Path]:
    import vision

    with Bars() as tell:
        progress = tell.each("cards", len(vision.STATIONS))
        return vision.write_cards_png(folder, dpi=dpi, size=size, told=progress)


@spotwright.command(short_help="Read where the mark is on the card in a photo.")
@click.argument("after", type=click.Path(path_type=Path))
@click.option("--before", type=click.Path(path_type=Path), help="The photo from before the pulse.")
@click.option("--camera", type=click.Path(path_type=Path), help="The lens, as 'calibrate' measured it.")
@BARS
@click.option("--json", "as_json", is_flag=True, help="Print the reading as JSON, for programs.")
def read(
    after: Path, before: Path | None, camera: Path | None, bars_mm: tuple[float, float] | None, as_json: bool
) -> None:
    """Read where the mark is on the card in the photo AFTER (JPEG or PNG)."""
    import vision

    pictures = [picture(path) for path in (after, before) if path is not None]
    model = None
    if camera is not None:
        from server.cli.calibrate import load_camera

        model = load_camera(camera)
    try:
        reading = vision.read(*pictures, camera=model, bar_mm=bars_mm)
    except vision.CalibrationFailed as error:
        raise Refusal(f"{camera}: {error}") from error
    except vision.BarRefused as error:
        raise Refusal(f"--bar-mm: {error}") from error
    if isinstance(reading, vision.NoReading):
        raise NotSeen(reading.reason)
    click.echo(_as_json(reading.as_json()) if as_json else "\n".join(_table(reading)))


def _table(reading: Reading) -> list[str]:
    card = reading.card
    tilt, scale = f"tilted {card.tilt_deg:.0f}°", f"{card.px_per_mm:.1f} px per mm"
    lines = [f"card at {reading.station}: {card.markers_seen} markers seen, {scale}, {tilt}"]
    lines.append("mark   right mm     up mm   ± mm         wide mm      shape")
    lines += [_row(number, mark) for number, mark in enumerate(reading.marks, start=1)]
    return lines + [f"note: {warning}" for warning in reading.warnings]


def _row(number: int, mark: Mark) -> str:
    (u, v), (su, sv), (long, short) = mark.offset_mm, mark.sigma_mm, mark.width_mm
    age = {True: ", new", False: ", older", None: ""}[mark.new]
    side = "" if mark.flat_side_deg is None else f" at {mark.flat_side_deg:.0f}°"
    numbers = f"{number:<6d}{u:+9.2f} {v:+9.2f}   {su:.2f} {sv:.2f}   {long:4.1f} × {short:4.1f}"
    return f"{numbers}   {mark.shape}{side}{age}"


@spotwright.command("next", short_help="Print the next step for an alignment document (JSON).")
@click.option("--why", is_flag=True, help="Print on standard error the numbers that decided the step.")
def next_(why: bool) -> None:
    """Read an alignment document (JSON) on standard input and print the next step."""
    from server.solver import DocumentError, next_step, parse_alignment

    try:
        step = next_step(parse_alignment(_document(sys.stdin.buffer.read(MAX_DOCUMENT_BYTES + 1))))
    except DocumentError as error:
        _refuse_document(error.path, plain(error.message))
    click.echo(_as_json(step.as_json()).encode())
    if why:
        click.echo(step.weighed, err=True)


def _document(data: bytes) -> dict[str, Any]:
    if len(data) > MAX_DOCUMENT_BYTES:
        _refuse_document("", f"longer than {MAX_DOCUMENT_BYTES // 1_000_000} MB")
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        _refuse_document("", f"not UTF-8 at byte {error.start}")
    except json.JSONDecodeError as error:
        _refuse_document("", f"not JSON at line {error.lineno} column {error.colno}: {error.msg}")
    except RecursionError:
        _refuse_document("", "nested too deeply")
    except ValueError as error:  # an integer with thousands of digits
        _refuse_document("", f"not JSON that can be read: {error}")
    if not isinstance(document, dict):
        _refuse_document("", "an alignment document is an object with 'machine' and 'events'")
    return document  # type: ignore[no-any-return]


def _refuse_document(path: str, message: str) -> None:
    click.echo(_as_json({"error": {"path": path, "message": message}}).encode())
    raise Refusal(f"{path}: {message}" if path else message)


def _as_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


@spotwright.command(short_help="Serve the page, with a camera or the practice laser.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8765,
    show_default=True,
    help="The TCP port to listen on.",
)
@click.option("--lan", is_flag=True, help="Let phones on the local network in, with an access code.")
@click.option(
    "--data", type=click.Path(path_type=Path), help="Data folder.  [default: your user data folder]"
)
@click.option(
    "--camera",
    metavar="KIND",
    help="pi, usb, usb:DEVICE, replay:FOLDER, or rigs (remote rigs send marks); else the practice laser.",
)
@click.option("--record", type=click.Path(path_type=Path), help="Folder to record each pulse's frames in.")
@click.option(
    "--rig",
    "profile",
    type=click.Path(path_type=Path),
    envvar="SPOTWRIGHT_RIG",
    help="The rig's profile (TOML): camera and pins.  [default: rig.toml in the data folder]",
)
@BARS
@click.option(
    "--host", "hosts", multiple=True, metavar="NAME", help="Host name of a proxy in front of the page."
)
def serve(
    port: int,
    lan: bool,
    data: Path | None,
    camera: str | None,
    record: Path | None,
    profile: Path | None,
    bars_mm: tuple[float, float] | None,
    hosts: tuple[str, ...],
) -> None:
    """Serve the page, with a camera or, without one, with the practice laser."""
    from firmware import RigError
    from firmware.health import check_writable
    from firmware.profile import profile_for
    from server.log import LogError, default_folder
    from server.pages.serve import serve as run
    from server.pages.serve import source_named

    folder = data or default_folder()
    for finding in check_writable(folder):
        raise Refusal(finding.line)
    try:
        rig = profile_for(folder, profile, report=lambda line: click.echo(f"note: {line}", err=True))
        named = camera or rig.camera_name()
        more: dict[str, Any] = {"source": source_named(named, rig)} if named else {}
        more |= {"profile": rig, "record": record, "bars_mm": bars_mm}
        run(port=port, lan=lan, data=folder, hosts=hosts, say=click.echo, **more)
    except (LogError, RigError) as error:
        raise Refusal(str(error)) from error
    except OSError as error:
        raise Refusal(_why_not(port, error)) from error


def _why_not(port: int, error: OSError) -> str:
    if error.filename:
        return f"{error.filename}: {error.strerror}"
    return f"port {port}: {error.strerror or error}; name another with --port"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status. Every refusal is one line on standard error."""
    if any("\0" in word for word in arguments or ()):
        return _say("spotwright: an argument contains a zero byte; no file or name can", 2)
    try:
        result = spotwright.main(arguments, prog_name="spotwright", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except click.UsageError as error:
        where = error.ctx.command_path if error.ctx else "spotwright"
        return _say(f"{where}: {error.format_message()} (see '{where} --help')", error.exit_code)
    except click.ClickException as error:
        return _say(f"spotwright: {plain(error.format_message())}", error.exit_code)
    except click.Abort:
        return 130
    except BrokenPipeError:
        _write_no_more()
        return 1
    except OSError as error:  # of the output: the commands catch those of their own files
        _write_no_more()
        return _say(f"spotwright: the output cannot be written: {error.strerror or error}", 2)


def _write_no_more() -> None:
    """Discard the rest of the output, so that the flush at exit cannot fail: no reader, or a full disk."""
    with suppress(UnsupportedOperation):  # standard output is not a file (in a test)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _say(text: str, status: int) -> int:
    click.echo(" ".join(text.split()), err=True)
    return status


if __name__ == "__main__":
    sys.exit(main())
