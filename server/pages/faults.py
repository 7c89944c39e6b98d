"""Every fault as one line: JSON under /api/, a page elsewhere, never a traceback."""

from __future__ import annotations

import logging
from typing import Any

from flask import Flask, jsonify, render_template, request
from werkzeug.exceptions import HTTPException

from server.errors import plain
from server.log import BadEntry, LogError, NoSuchEntry
from server.pages.device import in_units
from server.pages.stream import TooMany
from server.session.session import Refused
from server.solver import DocumentError
from server.sources.base import NoPicture

__all__ = ["add_faults"]

Answer = tuple[Any, int]
_log = logging.getLogger(__name__)


def add_faults(app: Flask) -> None:
    """Register the answer to each kind of fault."""
    app.register_error_handler(Refused, lambda e: _answer(e.message, e.status, e.path))
    app.register_error_handler(DocumentError, lambda e: _answer(plain(e.message), 422, e.path))
    app.register_error_handler(NoPicture, lambda e: _answer(str(e), 409, "camera"))
    app.register_error_handler(NoSuchEntry, lambda e: _answer(str(e), 404))
    app.register_error_handler(BadEntry, lambda e: _answer(plain(str(e)), 422, e.path))
    app.register_error_handler(LogError, lambda e: _answer(str(e), 503, "log"))
    app.register_error_handler(
        TooMany, lambda _: _answer("Too many viewers: this page asks again by itself.", 503)
    )
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _unforeseen)


def _answer(message: str, status: int, path: str = "") -> Answer:
    line = in_units(" ".join(message.split()))
    if request.path.startswith("/api/"):
        return jsonify({"error": {"path": path, "message": line}}), status
    return render_template("fault.html", status=status, message=line), status


def _http(error: HTTPException) -> Answer | HTTPException:
    if error.code is None or error.code < 400:
        return error
    if error.code == 413:
        return _answer("That is too large: a photo may have 40 MB, a document 2 MB.", 413)
    return _answer(error.description or error.name, error.code)


def _unforeseen(error: Exception) -> Answer:
    _log.exception("unforeseen while answering %s %s", request.method, request.path)
    return _answer("Something went wrong inside Spotwright; nothing was saved. The console says more.", 500)
