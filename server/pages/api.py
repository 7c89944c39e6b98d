"""The JSON routes, for the pages and for other programs."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from typing import Any

from flask import Blueprint, Response, abort, jsonify, request
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response as BaseResponse

from server import solver
from server.log import Json
from server.pages import bodies as b
from server.pages.device import Device, remember, units
from server.pages.lasers import Lasers
from server.pages.picture import WIDTHS
from server.pages.shared import last_done, shared
from server.pages.symptoms import SYMPTOMS, places_of
from server.pages.turned import really_turned, went_wrong_way
from server.session.check import Check
from server.session.services import locate_photo
from server.session.session import Overtaken, Refused, Session
from vision import BarRefused, PictureRefused
from vision.picture import check_together

__all__ = ["ACTIONS", "api"]

PHOTO_LIMIT = 40_000_000
UPLOAD_LIMIT = 2 * PHOTO_LIMIT + 100_000
PHOTO_PATIENCE_S = 30.0
_one_photo = threading.Lock()

api = Blueprint("api", __name__, url_prefix="/api")


@api.post("/next-step")
def next_step() -> Response:
    """Answer an alignment document with its next step; nothing is saved."""
    document = b.json_body()
    if not isinstance(document, dict):
        raise Refused("An alignment document is a JSON object with machine and events.")
    return jsonify(solver.answer(document))


@api.post("/read")
def read() -> Response:
    """Answer a photo, and perhaps one from before the pulse, with its marks; nothing is saved.

    ``?where=1`` adds where the card is in the photo, as a state has it under ``picture``.
    """
    with _photos_in_turn():
        after, before = _photos()
        found, card = locate_photo(after, before, services=shared().services)
    reading = found.as_json()
    return jsonify(reading | {"picture": card.as_json()} if "where" in request.args else reading)


@api.get("/state")
def state() -> Response:
    """The state of a session, which its page draws; ``?of=bench`` or ``?of=offline``."""
    return jsonify(shared().state(_of(), units=units()))


@api.get("/events")
def events() -> Response:
    """The state of a session, sent whenever it changes (server-sent events)."""
    of, here, read_in = _of(), shared(), units()
    tab = _tab(request.args.get("tab", ""))
    gone = request.environ.get("waitress.client_disconnected", lambda: False)
    body = here.streams.open(f"{of}:{tab}", here.session(of), lambda: here.shown(of, units=read_in), gone)
    return Response(body, mimetype="text/event-stream", headers={"X-Accel-Buffering": "no"})


@api.get("/why")
def why() -> Response:
    """Why the step of a session was chosen: the numbers that decided, in words."""
    return jsonify({"why": shared().session(_of()).why()})


@api.get("/frame.jpg")
def frame() -> BaseResponse:
    """The bench's newest picture; with ``?w=720`` a smaller one, or 304 if it shows nothing new."""
    width = request.args.get("w", type=int) or 0
    if width not in WIDTHS:
        return Response(shared().session("bench").feed.jpeg(), mimetype="image/jpeg")
    tag = f"{shared().session('bench').run}-{{}}-{width}"
    number, jpeg = shared().live.newest(width, lambda number: tag.format(number) in request.if_none_match)
    answer = Response(jpeg, mimetype="image/jpeg", headers={"Cache-Control": "no-cache"})
    answer.set_etag(tag.format(number))
    return answer if jpeg else answer.make_conditional(request)


@api.post("/do/<of>/<action>")
def do(of: str, action: str) -> Response:
    """Take one thing that the person did; answers with the new state."""
    session = shared().session(of)
    shared().control.use(of, _tab(request.headers.get("X-Spotwright-Tab", "")))
    with _photos_in_turn() if action == "photo" else nullcontext():
        body, act = _action(session, action)
        key, what = body.key, (action, body)
        said, status = shared().presses[of].once(key, what, lambda: _press(of, body.step, act))
    answer = jsonify(said)
    answer.status_code = status
    return answer


@api.post("/device")
def device() -> Response:
    """Keep the units, the hand and the brightness that the device asks for."""
    return remember(b.parse(Device, b.json_body()))


@api.post("/card-scale")
def card_scale() -> Response:
    """Take what the check bars of the printed cards measure; it counts for every device."""
    bars_mm = b.parse(b.Bars, b.json_body()).bars_mm
    try:
        shared().rescale(bars_mm)
    except BarRefused as error:
        raise Refused(str(error), path="bars_mm") from error
    return jsonify({"bars_mm": bars_mm})


@api.post("/control/<of>")
def control(of: str) -> Response:
    """Give the page that asks control of a session; the others watch."""
    session = shared().session(of)
    shared().control.take(of, _tab(request.headers.get("X-Spotwright-Tab", "")))
    session.announce()
    return jsonify(shared().state(of, units=units()))


@api.post("/lasers")
def add_laser() -> Response:
    """Take a laser's profile as TOML; it counts from the next alignment on."""
    request.max_content_length = b.JSON_LIMIT
    return jsonify(_lasers().add_toml(request.get_data()))


def _action(session: Session, action: str) -> tuple[b.Action, Callable[[], None]]:
    """Return the body that was sent, checked, and a function that does what it asks."""
    if action == "photo":
        return _photo(session)
    if action not in ACTIONS:
        raise Refused(f"There is no action named {action[:40]}.", status=404)
    model, act = ACTIONS[action]
    body = b.parse(model, b.json_body())
    return body, lambda: act(session, body)


def _press(of: str, step: str, act: Callable[[], None]) -> tuple[Json, int]:
    """Return the state after the press, and the status; 409 with the state where another step is due."""
    session = shared().session(of)
    try:
        with session.answering(step):
            act()
    except Overtaken as late:
        fault = {"path": late.path, "message": late.message}
        return {"error": fault, "state": shared().state(of, units=units())}, late.status
    return shared().state(of, units=units()), 200


def _lasers() -> Lasers:
    return shared().lasers


def _restart(session: Session, body: b.Restart) -> None:
    options: dict[str, Any] = {"severity": body.severity, "corner": body.corner}
    if body.seed is not None:
        options["seed"] = body.seed
    session.restart(machine=_lasers().current(), options=options)


def _turn(session: Session, body: b.Turn) -> None:
    """Save a turn: how far the mark shows that it went, and how far was asked."""
    snapshot = session.snapshot()
    step = snapshot.step
    is_asked = (step.mount, step.screw, step.turns) == (body.mount, body.screw, body.turns)
    went = really_turned(snapshot) if is_asked else None
    session.turn(body.mount, body.screw, body.turns, went=went)


def _pulse(session: Session) -> None:
    """Read the mark; a turn that it shows to have gone the wrong way is saved first."""
    snapshot = session.snapshot()
    step, went = snapshot.step, really_turned(snapshot)
    if went is not None and went_wrong_way(snapshot) and step.mount is not None and step.turns is not None:
        session.turn(step.mount, step.screw or "", step.turns, went=went)
    session.pulse()


def _check(session: Session, body: b.CheckFor) -> None:
    if body.what not in SYMPTOMS:
        raise Refused(f"There is no check named {body.what}.", path="what")
    symptom, kind = SYMPTOMS[body.what], session.source.kind
    machine = session.source.machine() or _lasers().current()
    places, then = places_of(symptom, solver.parse_profile(machine)), last_done(machine["name"], kind)
    session.check(Check(symptom.name, places, then), f"Check: {symptom.words}.", machine=machine)


ACTIONS: dict[str, tuple[type[b.Action], Callable[[Session, Any], None]]] = {
    "acknowledge": (b.Nothing, lambda session, _: session.acknowledge()),
    "hang": (b.Hang, lambda session, body: session.hang(body.place())),
    "pulse": (b.Nothing, lambda session, _: _pulse(session)),
    "no-mark": (b.AnyPlace, lambda session, body: session.no_mark(body.place())),
    "typed": (
        b.Typed,
        lambda session, body: session.typed(body.place(), body.offset_mm, body.sigma_mm),
    ),
    "choose": (b.Choice, lambda session, body: session.choose(body.index)),
    "turn": (b.Turn, _turn),
    "ease": (b.Ease, lambda session, body: session.ease(body.mount, body.screw, body.way)),
    "shift": (b.Shift, lambda session, body: session.shift(body.part, body.move_mm)),
    "inspected": (b.Inspected, lambda session, body: session.inspected(body.cause, body.outcome)),
    "watch": (b.Watch, lambda session, body: session.watch(body.on)),
    "film": (b.Watch, lambda session, body: session.film(body.on)),
    "withdraw": (b.Withdraw, lambda session, body: session.withdraw(body.event)),
    "undo": (b.Nothing, lambda session, _: session.undo()),
    "restart": (b.Restart, _restart),
    "check": (b.CheckFor, _check),
    "go-on": (b.Nothing, lambda session, _: session.go_on()),
}


def _tab(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]", "", name)[:40] or "nameless"


def _of() -> str:
    return request.args.get("of", "bench")


def _photo(session: Session) -> tuple[b.Action, Callable[[], None]]:
    after, before = _photos()
    fields = {"station": request.form.get("station"), "head_mm": request.form.get("head_mm", "").split(",")}
    names = {name: request.form[name] for name in ("step", "key") if name in request.form}
    body = b.parse(b.Hang, fields | names)
    return body, lambda: session.photo(after, before, body.place())


@contextmanager
def _photos_in_turn() -> Iterator[None]:
    """Let one request at a time hold and read photos, so that memory stays bounded."""
    if not _one_photo.acquire(timeout=PHOTO_PATIENCE_S):
        abort(503, "Other photos are being read: send yours again in a minute.")
    try:
        yield
    finally:
        _one_photo.release()


def _photos() -> tuple[bytes, bytes | None]:
    request.max_content_length = UPLOAD_LIMIT
    after, before = _upload("after") or b"", _upload("before")
    if before is not None:
        try:
            check_together(after, before)
        except PictureRefused as error:
            raise Refused(str(error), path="before", status=400) from error
    return after, before


def _upload(name: str) -> bytes | None:
    sent: FileStorage | None = request.files.get(name)
    if sent is None or not sent.filename:
        if name == "after":
            raise Refused("Send a photo of the card (JPEG or PNG).", path="after", status=400)
        return None
    data = sent.stream.read(PHOTO_LIMIT + 1)
    if len(data) > PHOTO_LIMIT:
        raise Refused("The photo is larger than 40 MB.", path=name, status=413)
    return data
