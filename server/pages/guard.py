"""Who may speak to the page: known hosts, same-site requests, holders of the access code."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import secrets
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from flask import Flask, Response, abort, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from server.log import Settings, write_for_good

__all__ = ["Doorkeeper", "guard", "keep_secret"]

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    "Referrer-Policy": "same-origin",  # with none at all a form's Origin would be null
    "X-Content-Type-Options": "nosniff",
}
COOKIE, COOKIE_DAYS = "spotwright_device", 180
TRIES, TRIES_WINDOW_S = 10, 60.0
_STRANGER = "Spotwright does not answer to this name: use the address that it printed."
LEAST_BITS = 40
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


def keep_secret(path: Path, make: Callable[[], str], settings: Settings | None = None) -> str:
    """Return the secret kept in ``path``, made and written (mode 600) the first time.

    One that is damaged, or that could be guessed, is replaced; ``settings.faults`` says so.
    """
    kept = (settings or Settings()).read(path, is_code, "", instead="a new one was made")
    if kept:
        return kept
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch(mode=0o600)
    secret = make()
    write_for_good(path, secret)
    path.chmod(0o600)
    return secret


def is_code(text: str) -> str:
    """Return the code in a file's text; ValueError for one that could be guessed (below 40 bits)."""
    code = text.strip()
    signs = code.replace("-", "").replace(" ", "")
    if not signs.isascii() or not signs.isalnum():
        raise ValueError("a code is made of letters and digits")
    if len(signs) * math.log2(len(_LETTERS)) < LEAST_BITS or len(set(signs.lower())) < 4:
        raise ValueError(f"it could be guessed: below {LEAST_BITS} bits")
    return code


def new_code() -> str:
    """Return a code of three groups of three letters and digits that nobody confuses: 44 bits."""
    letters = "".join(secrets.choice(_LETTERS) for _ in range(9))
    return f"{letters[:3]}-{letters[3:6]}-{letters[6:]}"


class Doorkeeper:
    """Knows the access code, remembers devices by a cookie, slows down guessing."""

    def __init__(self, code: str, secret: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._code, self._secret, self._clock = code, secret.encode(), clock
        self._lock, self._wrong = threading.Lock(), list[float]()

    def token(self) -> str:
        """Return what a device that once gave the code keeps; another code makes it worthless."""
        return hmac.new(self._secret, self._code.encode(), hashlib.sha256).hexdigest()

    def knows(self, token: str | None) -> bool:
        """Whether the cookie is one of ours."""
        return token is not None and hmac.compare_digest(token.encode(), self.token().encode())

    def opens(self, code: str) -> bool | None:
        """Whether the code is right; None when there were too many wrong ones in the last minute."""
        with self._lock:
            now_s = self._clock()
            self._wrong = [at_s for at_s in self._wrong if now_s - at_s < TRIES_WINDOW_S]
            if len(self._wrong) >= TRIES:
                return None
            said = code.strip().lower().replace(" ", "").encode()
            right = hmac.compare_digest(said.replace(b"-", b""), self._code.replace("-", "").encode())
            if not right:
                self._wrong.append(now_s)
            return right


def guard(app: Flask, *, door: Doorkeeper | None, hosts: tuple[str, ...] = ()) -> None:
    """Put the checks before, and the headers after, every request of ``app``.

    door : set when others on the network may come in; without it only loopback names are answered.
    hosts : further host names, for a proxy in front.
    """

    @app.before_request
    def check() -> BaseResponse | None:
        if not _host_known(request.host, lan=door is not None, hosts=hosts):
            # plain text: with a name like this no address of ours can be built into a page
            return Response(f"{_STRANGER}\n", 421, mimetype="text/plain")
        if request.method not in ("GET", "HEAD", "OPTIONS") and not _same_site():
            abort(403, "This request came from another site and was refused.")
        return _let_in(door)

    @app.after_request
    def dress(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if request.endpoint != "static":
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    if door is not None:
        _add_door(app, door)


def _let_in(door: Doorkeeper | None) -> BaseResponse | None:
    if door is None or request.endpoint in ("static", "door") or door.knows(request.cookies.get(COOKIE)):
        return None
    if (code := _code_in_request()) is not None and request.path.startswith("/api/"):
        _check_code(door, code)
        return None
    if request.path.startswith("/api/") or request.method != "GET":
        abort(401, "This device has not given the access code yet: open the page and type it.")
    return redirect(url_for("door"))


def _code_in_request() -> str | None:
    """Return the access code that a program, not a browser, sends along (RFC 6750), or None."""
    kind, _, code = request.headers.get("Authorization", "").partition(" ")
    return code.strip()[:64] if kind.lower() == "bearer" else None


def _check_code(door: Doorkeeper, code: str) -> None:
    opened = door.opens(code)
    if opened is None:
        abort(429, "Too many wrong codes: wait a minute.")
    if not opened:
        abort(401, "That is not the access code: look at the console of the page's machine.")


def _add_door(app: Flask, door: Doorkeeper) -> None:
    @app.route("/door", methods=["GET", "POST"], endpoint="door")
    def give_code() -> BaseResponse | tuple[str, int] | str:
        if request.method == "GET":
            return render_template("door.html", fault=None)
        opened = door.opens(request.form.get("code", "")[:64])
        if opened is None:
            return render_template("door.html", fault="Too many wrong codes: wait a minute."), 429
        if not opened:
            return render_template("door.html", fault="That is not the code: look at the console."), 403
        response = redirect(url_for("pages.bench"))
        age_s = COOKIE_DAYS * 86400
        secure = request.is_secure
        response.set_cookie(
            COOKIE, door.token(), max_age=age_s, httponly=True, samesite="Strict", secure=secure
        )
        return response


def _host_known(host: str, *, lan: bool, hosts: tuple[str, ...]) -> bool:
    try:
        name = (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return False
    if name in ("localhost", "127.0.0.1", "::1") or name in hosts:
        return True
    if not lan:
        return False
    own = socket.gethostname().lower()
    return name in (own, f"{own}.local") or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _same_site() -> bool:
    fetch_site = request.headers.get("Sec-Fetch-Site")
    if fetch_site is not None and fetch_site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("Origin")
    return origin is None or urlsplit(origin).netloc == request.host
