"""The commands for a rig: list cameras, check everything, send to a page, replay a recording."""

from __future__ import annotations

import json
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import chain
from pathlib import Path
from typing import Any

import click

from firmware import RigError
from firmware.camera.listing import CameraFound, list_cameras
from firmware.memory_trim import keep_lean
from firmware.profile import RigProfile, profile_for
from server.cli.arguments import BARS
from server.cli.refusals import Refusal
from server.log import LogError, default_folder
from server.rig import doctor as look

__all__ = ["cameras", "doctor", "replay", "rig"]

_PROFILE = click.option(
    "--rig",
    "profile",
    type=click.Path(path_type=Path),
    envvar="SPOTWRIGHT_RIG",
    help="The rig's profile (TOML): camera and pins.  [default: rig.toml in the data folder]",
)
_DATA = click.option(
    "--data", type=click.Path(path_type=Path), help="Data folder.  [default: your user data folder]"
)
_SIGNS = {"good": "good", "note": "note", "bad": "BAD "}


@click.command(short_help="List the cameras, with test pictures.")
@click.option("--pictures", type=click.Path(path_type=Path), help="Folder for the test pictures.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON, for programs.")
def cameras(pictures: Path | None, as_json: bool) -> None:
    """List the cameras of this computer, with a test picture from each."""
    found = list_cameras()
    if not found:
        raise Refusal("no camera found: plug in a USB camera, or check the Pi's ribbon cable")
    folder = pictures or Path(tempfile.mkdtemp(prefix="spotwright-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        rows = [_described(number, camera, folder) for number, camera in enumerate(found)]
    except OSError as error:
        raise Refusal(f"{error.filename or folder}: {error.strerror}") from error
    for row in rows:
        click.echo(json.dumps(row) if as_json else "   ".join(str(value) for value in row.values() if value))


def _described(number: int, camera: CameraFound, folder: Path) -> dict[str, Any]:
    """Return the values of one line, and write the test picture."""
    where = next((str(value) for value in camera.options.values()), "")
    row = {"camera": f"{camera.kind}:{where}" if where else camera.kind, "name": camera.name}
    if camera.picture is None:
        return {**row, "size": "", "picture": "", "problem": camera.problem or "no picture"}
    path = folder / f"camera-{number}-{camera.kind}.jpg"
    from server.sources.base import as_jpeg

    path.write_bytes(as_jpeg(camera.picture))
    rows, cols = camera.picture.shape[:2]
    return {**row, "size": f"{cols} × {rows}", "picture": str(path), "problem": ""}


@click.command(short_help="Check camera, pins, disk, log, clock and network.")
@_DATA
@_PROFILE
@click.option("--to", metavar="ADDRESS", help="The page that this rig sends to.")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8765,
    show_default=True,
    help="The TCP port of the page.",
)
@click.pass_context
def doctor(ctx: click.Context, data: Path | None, profile: Path | None, to: str | None, port: int) -> None:
    """Check camera, pins, disk, log, clock, temperature and network, and say what to do.

    Exit status 1 if something is bad.
    """
    folder = data or default_folder()
    worst = 0
    for seen in _looks(folder, _profile(folder, profile), to, port):
        click.echo(f"{_SIGNS[seen.state]}  {seen.name:<10} {seen.line}")
        worst = max(worst, seen.state == "bad")
    ctx.exit(int(worst))


def _looks(folder: Path, profile: RigProfile, to: str | None, port: int) -> Iterator[look.Look]:
    yield from chain(
        look.libraries(), look.cameras(lens=profile.lens_options), look.pins(profile.used_pins())
    )
    yield from chain(
        look.disk(folder), look.log(folder), look.clock(), look.heat(), look.network(to, port=port)
    )


@click.command(short_help="Read marks here and send them to a page on another computer.")
@click.option("--to", required=True, metavar="ADDRESS", help="The page, e.g. http://192.0.2.7:8765")
@click.option("--code", envvar="SPOTWRIGHT_CODE", help="Its access code (or in SPOTWRIGHT_CODE).")
@click.option(
    "--camera",
    metavar="KIND",
    help="pi, usb, usb:DEVICE or replay:FOLDER.  [default: from the profile, else pi]",
)
@click.option("--name", help="This rig's name on the page.  [default: from the profile]")
@click.option("--record", type=click.Path(path_type=Path), help="Folder to record each pulse's frames in.")
@BARS
@_DATA
@_PROFILE
def rig(
    to: str,
    code: str | None,
    camera: str | None,
    name: str | None,
    record: Path | None,
    bars_mm: tuple[float, float] | None,
    data: Path | None,
    profile: Path | None,
) -> None:
    """Read marks here and send them to a page on another computer; the card tells the station."""
    folder = data or default_folder()
    loaded = _profile(folder, profile)
    if name is not None:
        loaded = _renamed(loaded, name)
    keep_lean()
    try:
        with ExitStack() as stack:
            _send(stack, loaded, camera or loaded.camera_name() or "pi", to, code, folder, record, bars_mm)
    except (RigError, LogError, ValueError) as error:
        raise Refusal(str(error)) from error
    except OSError as error:
        raise Refusal(f"{error.filename or folder}: {error.strerror or error}") from error


def _send(
    stack: ExitStack,
    rig: RigProfile,
    camera: str,
    to: str,
    code: str | None,
    folder: Path,
    record: Path | None,
    bars_mm: tuple[float, float] | None,
) -> None:
    from firmware.health import HealthWatch
    from firmware.profile import camera_named
    from server.rig.frame_loop import FrameLoop
    from server.rig.full_resolution import FullLook
    from server.rig.recorder import Recorder
    from server.rig.signals import PanelRetry
    from server.rig.systemd import Heartbeat
    from server.rig.uplink import Spool, Uplink, post_json
    from server.rig.uplink_hardware import UplinkHardware
    from server.session.card_scale import CardScale
    from server.session.services import measured
    from server.sources.camera_source import camera_source

    spool, scale = Spool(folder / "to-be-sent"), CardScale(bars_mm)
    wire = post_json(to, code, device=f"{rig.name} {spool.name}")
    kind, options = camera_named(camera)
    source = camera_source(kind, **options, **rig.lens_options(kind))
    stack.callback(source.close)
    recorder = Recorder(record) if record else None
    post = Uplink(rig.name, spool, wire, full=FullLook(source, reader=measured(scale).read))
    frame_loop = FrameLoop(post, source, keep=recorder.keep if recorder else None, scale=scale)
    hardware = UplinkHardware(
        post,
        problem=lambda: source.problem,
        retry=PanelRetry(rig.used_pins(), silent=rig.panel.silent),
        health=HealthWatch(folder),
        frame_loop=frame_loop,
        recorder=recorder,
        dark_film=rig.panel.film == "dark",
    )
    lives = {"frame loop": frame_loop.alive, "uplink": post.alive, "panel": hardware.alive}
    for part in (post, frame_loop, hardware, Heartbeat(lives)):
        part.start()
        stack.callback(part.stop)
    click.echo(f"Spotwright: {rig.name} reads with camera {camera} and sends to {to} (Ctrl-C ends it).")
    threading.Event().wait()


@click.command(short_help="Replay a recording and compare the results.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--data", type=click.Path(path_type=Path), help="Folder for the log of the replay.")
def replay(folder: Path, data: Path | None) -> None:
    """Replay a recording through the whole program; exit status 1 if the result differs."""
    from server.rig.replay import replay as play

    with ExitStack() as stack:
        place = data or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        try:
            result = play(folder, place, report=lambda line: click.echo(f"note: {line}"))
        except (ValueError, LogError, OSError) as error:
            raise Refusal(str(error)) from error
        differences = result.differences()
    for event in result.events:
        click.echo(json.dumps(event))
    for difference in differences:
        click.echo(f"differs: then {json.dumps(difference.recorded)}, now {json.dumps(difference.replayed)}")
    click.echo(f"{len(result.events)} events, {len(differences)} differ; then: {result.step['say']}")
    click.get_current_context().exit(1 if differences else 0)


def _profile(folder: Path, named: Path | None) -> RigProfile:
    try:
        return profile_for(folder, named)
    except RigError as error:
        raise Refusal(str(error)) from error
    except OSError as error:  # for example a name that is too long
        raise Refusal(f"{folder}: {error.strerror or error}") from error


def _renamed(profile: RigProfile, name: str) -> RigProfile:
    try:
        return RigProfile.model_validate({**profile.model_dump(), "name": name})
    except ValueError:
        raise Refusal(f"--name {name}: letters, digits, - and _, at most 32") from None
