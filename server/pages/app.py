"""The Flask app: what all pages share, the guard, the routes, the filters of the templates."""

from __future__ import annotations

import json
import secrets
from typing import Any

from flask import Flask, request
from flask.json.provider import DefaultJSONProvider
from markupsafe import Markup

from server.log import LogError
from server.pages.api import UPLOAD_LIMIT, api
from server.pages.device import hand, in_units, theme
from server.pages.faults import add_faults
from server.pages.guard import AccessGuard, guard, keep_secret
from server.pages.openapi import described
from server.pages.pack import pack
from server.pages.pages import NAVIGATION, pages
from server.pages.rigs import rigs
from server.pages.scripts import scripts
from server.pages.shared import Config, open_shared, shared
from server.pages.units import MM
from server.pages.upkeep import due_count, upkeep
from server.solver.machine.power import percent

__all__ = ["create_app"]


class _UnsortedJSON(DefaultJSONProvider):
    """Keeps the order of keys, as the stream does: the page compares parts of a state by their text."""

    sort_keys = False


def create_app(config: Config) -> Flask:
    """Return the app that serves ``config.data``; opens the log and the source of pictures."""
    app = Flask(__name__)
    app.json = _UnsortedJSON(app)
    app.config["MAX_CONTENT_LENGTH"] = UPLOAD_LIMIT
    app.config["MAX_FORM_MEMORY_SIZE"] = 500_000
    app.extensions["spotwright"] = open_shared(config)
    pack(app)
    guard(app, access=_access(config), hosts=config.hosts)
    add_faults(app)
    app.register_blueprint(api)
    app.register_blueprint(described)
    app.register_blueprint(pages)
    app.register_blueprint(rigs)
    app.register_blueprint(scripts)
    app.register_blueprint(upkeep)
    app.context_processor(_common)
    app.jinja_env.globals["MM"] = MM
    app.jinja_env.filters["attribute"] = _attribute
    app.jinja_env.filters["in_units"] = in_units
    app.jinja_env.filters["percent"] = percent
    app.jinja_env.filters["moment"] = _moment
    return app


def _access(config: Config) -> AccessGuard | None:
    if config.code is None:
        return None
    return AccessGuard(
        config.code,
        keep_secret(config.data / "cookie-secret", lambda: secrets.token_hex(32), config.settings),
    )


def _common() -> dict[str, Any]:
    practice = shared().sessions["bench"].source.kind == "practice"
    return {
        "navigation": NAVIGATION,
        "here": request.endpoint,
        "practice": practice,
        "due": _due(),
        "damage": shared().damage(),
        "hand": hand(),
        "theme": theme(),
    }


def _moment(stamp: str) -> Markup:
    """Return a time of the log in UTC; ``when.js`` shows it in the device's own time zone."""
    words = f"{stamp[:10]} {stamp[11:16]} UTC"
    return Markup('<time datetime="{}">{}</time>').format(stamp, words)


def _due() -> int:
    try:
        return due_count()
    except LogError:  # the page itself says what is wrong with the log
        return 0


def _attribute(value: Any) -> str:
    """Return plain values as JSON for a data attribute; the template escapes it."""
    return json.dumps(value, separators=(",", ":"))
