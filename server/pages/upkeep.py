"""The forms for test cuts, upkeep, hours run and reminders, and what the pages list of them."""

from __future__ import annotations

import io

from flask import Blueprint, Response, abort, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from server import log
from server.log import Json
from server.pages.lists import reminder_words
from server.pages.shared import shared
from server.pages.units import MM, with_point
from server.session.session import Refused

__all__ = ["as_picture", "cut_rows", "due_count", "reminder_rows", "upkeep"]

PHOTO_LIMIT = 40_000_000
_LENGTHS = {"thickness_mm", "speed_mm_s"}
_NUMBERS = _LENGTHS | {"power_percent", "hours", "every_hours", "every_days"}

upkeep = Blueprint("upkeep", __name__, url_prefix="/log")


@upkeep.post("/<int(max=2147483647):number>/cut")
def add_cut(number: int) -> BaseResponse:
    """Save a test cut of that alignment, with a photo if there is one."""
    log.add_entry(shared().log, "cut", _fields("cut"), alignment_id=number, picture=_photo())
    return redirect(url_for("pages.alignment", number=number, _anchor="cuts"), 303)


@upkeep.post("/<any(upkeep, hours, reminder):kind>")
def add(kind: str) -> BaseResponse:
    """Save something done at the laser, its hour counter, or a reminder."""
    newest = shared().log.newest() if kind == "upkeep" else None
    log.add_entry(shared().log, kind, _fields(kind), alignment_id=newest)
    return redirect(url_for("pages.log", _anchor="upkeep"), 303)


@upkeep.post("/entry/<int(max=2147483647):entry>/withdraw")
def withdraw(entry: int) -> BaseResponse:
    """Withdraw an entry: it stays in the log and no longer counts."""
    found = next((row for row in log.entries(shared().log) if row["id"] == entry), None)
    log.withdraw_entry(shared().log, entry)
    if found is not None and found["kind"] == "cut" and found["alignment"] is not None:
        return redirect(url_for("pages.alignment", number=found["alignment"], _anchor="cuts"), 303)
    return redirect(url_for("pages.log", _anchor="upkeep"), 303)


@upkeep.get("/entry/<int(max=2147483647):entry>/picture")
def picture(entry: int) -> Response:
    """The photo of a test cut."""
    data = log.entry_picture(shared().log, entry)
    if data is None:
        abort(404, "This test cut has no photo.")
    return as_picture(data)


@upkeep.get("/spotwright-upkeep.csv")
def export() -> Response:
    """Test cuts, upkeep, hours and reminders for a spreadsheet."""
    stream = io.StringIO(newline="")
    log.write_upkeep_csv(shared().log, stream)
    headers = {"Content-Disposition": 'attachment; filename="spotwright-upkeep.csv"'}
    return Response(stream.getvalue(), content_type="text/csv; charset=utf-8", headers=headers)


def as_picture(data: bytes) -> Response:
    """Return a stored picture as PNG or JPEG, whichever it is."""
    kind = "image/png" if data.startswith(b"\x89PNG") else "image/jpeg"
    return Response(data, mimetype=kind, headers={"Cache-Control": "private, max-age=86400"})


def cut_rows(number: int) -> list[Json]:
    """Return the test cuts of an alignment, those before it first, the near corner first."""
    cuts = log.entries(shared().log, "cut", alignment_id=number)
    return sorted(cuts, key=lambda cut: (cut["stage"] != "before", cut["place"] != "near"))


def reminder_rows() -> list[Json]:
    """Return the reminders and when each is due, in words; those that are due come first."""
    rows = [row | {"words": reminder_words(row)} for row in log.reminders(shared().log)]
    return sorted(rows, key=lambda row: not row["due"])


def due_count() -> int:
    """Return how many reminders are due now."""
    return sum(row["due"] for row in log.reminders(shared().log))


def _fields(kind: str) -> Json:
    given: Json = {key: value for key, value in request.form.items() if value.strip()}
    unit_mm = MM["inch" if given.pop("units", "mm") == "inch" else "mm"]
    given |= {name: with_point(given[name]) for name in _NUMBERS & given.keys()}
    if unit_mm != 1.0:
        given |= {name: _in_mm(given[name], unit_mm) for name in _LENGTHS & given.keys()}
    return log.checked_entry(kind, given, lax=True)


def _in_mm(length: str, unit_mm: float) -> str:
    try:
        return f"{float(length) * unit_mm:.6g}"
    except ValueError:
        return length  # the check of the fields refuses it


def _photo() -> bytes | None:
    sent = request.files.get("photo")
    if sent is None or not sent.filename:
        return None
    data = sent.stream.read(PHOTO_LIMIT + 1)
    if len(data) > PHOTO_LIMIT:
        raise Refused("The photo is larger than 40 MB.", path="photo", status=413)
    shared().check_picture(data)
    return data
