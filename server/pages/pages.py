"""The HTML pages, as the server sends them; scripts then keep them up to date."""

from __future__ import annotations

import io
from collections import Counter
from itertools import chain

from flask import Blueprint, Response, abort, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from server.log import UPKEEP, BadEntry, Damaged, Json, draw_chart, entries, import_json
from server.pages import bodies as b
from server.pages.bed import bed_maps
from server.pages.bed_words import spot_rows, worst_words
from server.pages.checks import CHECKS
from server.pages.device import in_units, units
from server.pages.forecast_words import forecast_rows
from server.pages.lists import saved_words, verdict_in_short, verdict_rows
from server.pages.setup import (
    CORNERS,
    PITCHES,
    Answers,
    doubts,
    drawing,
    in_words,
    profile_from,
    what_matters,
)
from server.pages.shared import shared
from server.pages.symptoms import SYMPTOMS, place_sentence, places_of
from server.pages.upkeep import as_picture, cut_rows, reminder_rows
from server.pages.view import CAUTIONS
from server.session.import_check import check_alignment
from server.session.session import Refused
from server.solver import DocumentError, Profile, parse_profile
from server.solver.machine.power import LEAN_MM, SHEET_MM

__all__ = ["NAVIGATION", "pages"]

NAVIGATION = (
    ("pages.bench", "Bench"),
    ("pages.offline", "Offline"),
    ("pages.bed", "Bed"),
    ("pages.today", "What is wrong?"),
    ("pages.log", "Log"),
    ("pages.checks", "Checks"),
    ("pages.laser", "Laser"),
    ("pages.cautions", "Cautions"),
)
DRAWING = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}  # no script in it

pages = Blueprint("pages", __name__)


@pages.get("/")
def bench() -> str:
    """The step at the machine."""
    return render_template(
        "bench.html", state=shared().state("bench", units=units()), of="bench", cautions=CAUTIONS
    )


@pages.get("/offline")
def offline() -> str:
    """The same steps from photos and typed numbers."""
    state = shared().state("offline", units=units())
    return render_template(
        "offline.html", state=state, of="offline", cautions=CAUTIONS, lasers=shared().lasers.names()
    )


@pages.get("/bed")
@pages.get("/bed/<int(max=2147483647):number>")
def bed(number: int | None = None) -> str:
    """The five positions, and the maps fitted through them."""
    shown = number or shared().session("bench").alignment or shared().log.newest()
    document = shared().log.document(shown) if shown is not None else None
    start, now = bed_maps(document) if document is not None else (None, None)
    view: Json = {"number": shown, "start": start, "worst": None, "spots": [], "cuts": []}
    if now is not None and document is not None:
        cuts = forecast_rows(now.step, parse_profile(document["machine"]).bed)
        rows = {"worst": worst_words(now), "spots": spot_rows(start, now), "cuts": cuts}
        view |= in_units(rows) | {"lean": in_units(f"{LEAN_MM:g} mm"), "sheet": in_units(f"{SHEET_MM:g} mm")}
    return render_template("bed.html", **view)


@pages.get("/bed/<int(max=2147483647):number>.svg")
def bed_chart(number: int) -> Response:
    """The maps as a picture; ``?shape=narrow`` for a phone, ``flat`` for paper."""
    # here, because matplotlib takes a second to load, and no other page needs it
    from server.pages.bed_chart import SHAPES, bed_svg

    shape = request.args.get("shape", "")
    drawn = bed_svg(shared().log.document(number), shape=shape if shape in SHAPES else "wide")
    return Response(drawn, mimetype="image/svg+xml", headers=DRAWING)


@pages.get("/today")
def today() -> str:
    """What is wrong today? A list of symptoms to choose from."""
    return render_template("today.html", symptoms=SYMPTOMS.values())


@pages.get("/today/<name>")
def symptom(name: str) -> str:
    """One symptom: what to look at first, and which pulses show whether the mirrors are the cause."""
    if name not in SYMPTOMS:
        abort(404, "There is no such check.")
    known, sessions = SYMPTOMS[name], shared().sessions
    machine = parse_profile(sessions["bench"].source.machine() or shared().lasers.current())
    now = {of: session.snapshot() for of, session in sessions.items()}
    return render_template(
        "symptom.html",
        symptom=known,
        places=[place_sentence(place, machine.bed) for place in places_of(known, machine)],
        steps={of: snapshot.step_name for of, snapshot in now.items()},
        under_way=bool(now["bench"].counted) and now["bench"].step.do != "done",
    )


@pages.get("/checks")
def checks() -> str:
    """What else it may be."""
    return render_template("checks.html", checks=CHECKS)


@pages.get("/cautions")
def cautions() -> str:
    """What can blind, burn and kill here."""
    return render_template("cautions.html", cautions=CAUTIONS)


@pages.get("/log")
def log() -> str:
    """All alignments."""
    rows = [_listed(row) for row in reversed(shared().log.alignments())]
    kinds = {"practice" if row["source"] == "practice" else "real" for row in rows}
    return render_template(
        "log.html",
        rows=rows,
        kinds=kinds,
        new=request.args.get("new", type=int),
        reminders=reminder_rows(),
        done=entries(shared().log, "upkeep")[::-1],
        lasers=shared().lasers.names(),
        kinds_of_upkeep=UPKEEP,
    )


@pages.get("/log/<int(max=2147483647):number>")
def alignment(number: int) -> str:
    """One alignment: what happened, and how it ended."""
    row, machine = _alignment(number), _machine(number)
    bed = machine.bed if machine else None
    events = [event | {"words": in_units(saved_words(event, bed))} for event in shared().log.events(number)]
    damaged = row["damaged"] or any(event["damaged"] for event in events)
    details = {
        "verdict": in_units(verdict_rows(row["verdict"], machine)) if machine else None,
        "cuts": cut_rows(number),
        "units": units(),
        "damaged": damaged,
        "whole": machine is not None and not damaged,
    }
    return render_template("alignment.html", row=row, events=events, **details)


@pages.get("/log/<int(max=2147483647):number>/report")
def report(number: int) -> str:
    """One page to print: verdict, bed as found and now, who and when."""
    row, document = _alignment(number), shared().log.document(number)
    start, now = bed_maps(document)
    events = shared().log.events(number)
    return render_template(
        "report.html",
        row=row,
        verdict=in_units(verdict_rows(row["verdict"], parse_profile(document["machine"]))),
        bed=in_units({"worst": worst_words(now), "spots": spot_rows(start, now)}) if now else None,
        cuts=cut_rows(number),
        last=events[-1]["when"] if events else None,
        counts=Counter(event["kind"] for event in document["events"]),
    )


@pages.get("/log/picture/<int(max=2147483647):event>")
def picture(event: int) -> Response:
    """The picture that a reading came from."""
    data = shared().log.picture(event)
    if data is None:
        abort(404, "This reading has no picture.")
    return as_picture(data)


@pages.get("/log/drift.svg")
def drift() -> Response:
    """How far off the marks were before and after each alignment; ``?practice`` for the practice laser."""
    sources = ("practice",) if "practice" in request.args else ("camera", "offline")
    stream = io.BytesIO()
    draw_chart(shared().log, stream, kind="svg", sources=sources)
    return Response(stream.getvalue(), mimetype="image/svg+xml", headers=DRAWING)


@pages.post("/log/import")
def import_log() -> BaseResponse:
    """Add another device's exported log (JSON) to this one."""
    sent = request.files.get("file")
    if sent is None or not sent.filename:
        raise Refused("Choose the JSON file that the other device exported.", path="file", status=400)
    try:
        new = import_json(shared().log, io.TextIOWrapper(sent.stream, "utf-8-sig"), judge=check_alignment)
    except BadEntry as error:
        if isinstance(error.__cause__, UnicodeDecodeError):
            raise Refused("That file is not text in UTF-8.", path="file", status=400) from error
        raise
    return redirect(url_for("pages.log", new=new.alignments), 303)


@pages.get("/log/spotwright-log.<ending>")
def export(ending: str) -> Response:
    """The whole log as CSV or JSON; sent while it is read, because it may be larger than the memory."""
    if ending == "csv":
        texts = shared().log.csv_texts()
    elif ending == "json":
        texts = shared().log.json_texts()
    else:
        abort(404, "The log is exported as csv or json.")
    kind = {"csv": "text/csv", "json": "application/json"}[ending]
    headers = {"Content-Disposition": f'attachment; filename="spotwright-log.{ending}"'}
    whole = chain([next(texts)], texts)  # a log that cannot be read is refused before anything is sent
    return Response(whole, content_type=f"{kind}; charset=utf-8", headers=headers)


@pages.route("/laser", methods=["GET", "POST"])
def laser() -> BaseResponse | tuple[str, int] | str:
    """The current laser: choose one, or give a profile."""
    if request.method == "GET":
        return _laser_page()
    try:
        _take_laser()
    except Refused as error:
        return _laser_page(error.message), error.status
    return redirect(url_for("pages.laser"), 303)


@pages.route("/laser/new", methods=["GET", "POST"])
def setup() -> BaseResponse | tuple[str, int] | str:
    """A profile from nine questions; the answers are drawn first, and kept once they were looked at."""
    given = {"units": units()} | request.form.to_dict()
    pressed = given.pop("pressed", "")
    shown = {"given": given, "pitches": PITCHES, "corners": CORNERS, "fault": None}
    if request.method == "GET" or pressed == "change":
        return render_template("setup.html", **shown)
    try:
        answers = b.parse(Answers, given)
        profile = profile_from(answers)
        if pressed != "keep":
            shared().lasers.check(profile)
            return render_template(
                "setup_drawn.html", given=given, drawn=drawing(answers), doubts=doubts(answers)
            )
        shared().lasers.add(profile)
    except Refused as error:
        return render_template("setup.html", **shown | {"fault": in_words(error)}), error.status
    _offer_laser()
    return redirect(url_for("pages.laser"), 303)


def _take_laser() -> None:
    lasers = shared().lasers
    sent = request.files.get("file")
    if request.form.get("choose"):
        lasers.choose(request.form["choose"])
    elif sent is not None and sent.filename:
        lasers.add_toml(sent.stream.read(b.JSON_LIMIT))
    else:
        lasers.add_toml(request.form.get("toml", "").encode())
    _offer_laser()


def _offer_laser() -> None:
    for session in shared().sessions.values():
        session.offer(shared().lasers.current())


def _laser_page(fault: str | None = None) -> str:
    lasers = shared().lasers
    profile, toml = lasers.current(), request.form.get("toml", "")
    shown = {"names": lasers.names(), "profile": profile, "matters": in_units(what_matters(profile))}
    bed = profile["bed"]
    shown["bed"] = in_units(f"{bed['width_mm']:g} mm × {bed['depth_mm']:g} mm")
    return render_template("laser.html", **shown, fault=fault, toml=toml)


def _listed(row: Json) -> Json:
    judged = row["verdict"] is not None and row["verdict"]["aligned"]
    return row | {"said": verdict_in_short(row["verdict"], _machine(row["id"]) if judged else None)}


def _machine(number: int) -> Profile | None:
    """Return the profile of an alignment's laser, None where it is damaged or lost."""
    try:
        return parse_profile(shared().log.machine(number))
    except (Damaged, DocumentError):
        return None


def _alignment(number: int) -> Json:
    for row in shared().log.alignments():
        if row["id"] == number:
            return row
    abort(404, f"There is no alignment {number} in the log.")
