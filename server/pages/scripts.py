"""A page's scripts joined into one file: 25 small ones would cost a phone several round trips more."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from flask import Blueprint, Response, abort, request
from werkzeug.wrappers import Response as BaseResponse

__all__ = ["joined", "scripts"]

STATIC = Path(__file__).parent / "static"
PAGES = ("bench", "offline", "today")  # pages whose scripts import others
_IMPORT = re.compile(r'^import (?:\{([^}]*)\} from )?"\./([a-z]+)\.js";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export ((?:async function|function|class|const) (\w+))", re.MULTILINE)

scripts = Blueprint("scripts", __name__)


@scripts.get("/scripts/<name>.js")
def script(name: str) -> BaseResponse:
    """The scripts of one page."""
    if name not in PAGES:
        abort(404)
    response = Response(joined(name), mimetype="text/javascript", headers={"Cache-Control": "no-cache"})
    response.add_etag()
    return response.make_conditional(request)


@cache
def joined(name: str) -> str:
    """Return module ``name`` after all that it imports, each module once and in a function of its own.

    Modules import by name from their own folder, never in a circle; they export functions, classes
    and constants.
    """
    return "".join(_as_function(module) for module in _in_order(name))


def _in_order(name: str, found: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Return ``found``, what ``name`` imports, and ``name``: the order in which a browser runs them."""
    if name in found:
        return found
    for _, other in _IMPORT.findall(_text(name)):
        found = _in_order(other, found)
    return (*found, name)


def _as_function(name: str) -> str:
    text = _text(name)
    exported = ", ".join(what for _, what in _EXPORT.findall(text))
    body = _EXPORT.sub(r"\1", _IMPORT.sub(_taken, text))
    return f"const ${name} = (() => {{\n{body}\nreturn {{ {exported} }};\n}})();\n"


def _taken(imported: re.Match[str]) -> str:
    names, module = imported.groups()
    return f"const {{{names.replace(' as ', ': ')}}} = ${module};\n" if names else ""


def _text(name: str) -> str:
    return (STATIC / f"{name}.js").read_text("utf-8")
