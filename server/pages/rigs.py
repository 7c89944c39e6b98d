"""Receives what remote rigs send: what they see, to be shown, and the marks that they read, to be saved."""

from __future__ import annotations

import base64
import binascii
from typing import Annotated, Literal

from flask import Blueprint, Response, abort, jsonify, request
from pydantic import Field

from server.pages.bodies import Body, Number, Station, json_body, parse
from server.pages.shared import shared
from server.rig.session_hardware import press_foot
from server.rig.signals import panel_state
from server.session.mark_taking import SentMark
from server.session.session import Refused
from server.session.snapshot import RigSight
from server.sources.camera_source import SMALL_PIXELS, RigsSource
from server.sources.practice_source import PracticeSource
from vision import PictureRefused
from vision.picture import checked_header

__all__ = ["rigs"]

PICTURE_LIMIT = 600_000
RigName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$")]
Series = Annotated[str, Field(pattern=r"^[0-9a-f]{4,32}$")]
Pair = tuple[Number, Number]
Positive = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
Base64 = Annotated[str, Field(max_length=PICTURE_LIMIT * 4 // 3 + 4)]

rigs = Blueprint("rigs", __name__, url_prefix="/api/rig")


class Mark(Body):
    """A mark as the rig read it, with the fields of a reading's JSON."""

    station: Station
    offset_mm: Pair
    sigma_mm: tuple[Positive, Positive]
    width_mm: Pair
    shape: Literal["round", "stretched", "cut-off", "double", "off-card"]
    flat_side_deg: Number | None = None
    px_per_mm: Number | None = None
    lid_closed: bool | None = None


class Delivery(Body):
    """One reading, numbered 1, 2, 3 … in the rig's series.

    age_s : how long ago it was read, if the rig knows. after : the newest number before it that the rig has,
    or has delivered. again : whether it was sent before.
    """

    rig: RigName
    series: Series
    sequence: Annotated[int, Field(ge=1, le=2**53)]
    age_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    after: Annotated[int, Field(ge=0, le=2**53)] | None = None
    again: bool = False
    mark: Mark
    picture: Base64 | None = None


class Sight(Body):
    """What a rig sees now; none of it is saved."""

    rig: RigName
    series: Series | None = None
    station: Station | None = None
    offset_mm: Pair | None = None
    fault: Annotated[str, Field(max_length=200)] = ""
    lid_closed: bool | None = None
    picture: Base64 | None = None


class Press(Body):
    """The rig's foot button was pressed."""

    rig: RigName


@rigs.post("/readings")
def readings() -> Response:
    """Take one reading; answers once it is on disk. The same again changes nothing."""
    session = shared().session("bench")
    if isinstance(session.source, PracticeSource):
        raise Refused("This page serves the practice laser: start it with --camera rigs.", status=409)
    sent = parse(Delivery, json_body())
    picture = _picture(sent.picture)
    mark = _sent(sent.mark)
    try:
        new = session.delivered(
            f"{sent.rig} {sent.series}",
            sent.sequence,
            mark,
            picture,
            age_s=sent.age_s,
            after=sent.after,
            again=sent.again,
        )
    except Refused as refusal:
        _seen(RigSight(sent.rig, sent.mark.station, fault=refusal.message), None)
        raise
    return jsonify({"sequence": sent.sequence, "new": new})


@rigs.post("/sight")
def sight() -> Response:
    """Show what the rig sees; answers what its panel has to show, and the last number here of its series."""
    session = shared().session("bench")
    sent = parse(Sight, json_body())
    picture = _picture(sent.picture)
    near = None if sent.offset_mm is None else (round(sent.offset_mm[0], 2), round(sent.offset_mm[1], 2))
    _seen(RigSight(sent.rig, sent.station, near, sent.fault, sent.lid_closed), picture)
    if picture is not None and sent.station is not None and isinstance(session.source, RigsSource):
        session.source.show(picture)
    last = session.last_from(f"{sent.rig} {sent.series}") if sent.series else 0
    return jsonify({"panel": panel_state(session.snapshot()).as_json(), "last": last})


@rigs.post("/press")
def press() -> Response:
    """Do what the large button would do, as for the foot button of a rig of our own."""
    parse(Press, json_body())
    press_foot(shared().session("bench"))
    return jsonify({})


@rigs.get("/picture/<name>")
def picture(name: str) -> Response:
    """The newest small picture of that rig."""
    found = shared().session("bench").rig.pictures.get(name)
    if found is None:
        abort(404, "That rig has sent no picture.")
    return Response(found, mimetype="image/jpeg")


def _seen(sight: RigSight, picture: bytes | None) -> None:
    session = shared().session("bench")
    address, delivers = request.remote_addr or "", session.delivers(sight.name)
    session.rig.set_rig(sight, picture, address=address, delivers=delivers)


def _sent(mark: Mark) -> SentMark:
    reading = mark.model_dump(mode="json", exclude_none=True)
    return SentMark(mark.station, mark.offset_mm, mark.sigma_mm, mark.width_mm, mark.shape, reading)


def _picture(text: str | None) -> bytes | None:
    if text is None:
        return None
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        data = b""
    if not data.startswith(b"\xff\xd8"):
        raise Refused("The picture is no JPEG in base64.", path="picture", status=400)
    try:
        checked_header(data, max_pixels=SMALL_PIXELS)
    except PictureRefused as error:
        raise Refused(f"The picture is refused: {error}.", path="picture", status=400) from error
    return data
