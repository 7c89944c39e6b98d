"""Which requests are answered: to known host names, from our own pages, with the access code."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import secrets
import socket
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from flask import Flask, Response, abort, make_response, redirect, render_template, request, url_for
from werkzeug.http import parse_cookie
from werkzeug.wrappers import Response as BaseResponse

from server.log import Settings, write_for_good

__all__ = ["DEVICE_HEADER", "AccessGuard", "asker", "guard", "is_code", "keep_secret", "search_domains"]

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
_FILES = ("static", "scripts.script")  # the same for every visitor
NAME_COOKIE = "spotwright_asks"  # tells devices at one address apart, before they know the code
DEVICE_HEADER = "X-Spotwright-Device"  # what a program sends instead
TRIES, TRIES_WINDOW_S, MOST_ASKERS = 10, 60.0, 4096
_STRANGER = "Spotwright does not answer to this name: use the address that it printed."
LEAST_BITS = 40
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
# Names under these do not exist in the public DNS, so no stranger can own one: .local is for multicast DNS
# (RFC 6762, whose appendix G lists .lan, .home and .internal as in private use), home.arpa for homes (RFC
# 8375); ICANN's board has reserved .internal (29 July 2024) and does not delegate .home (2018.02.04.12).
PRIVATE = ("local", "lan", "home", "home.arpa", "internal")
RESOLVER = Path("/etc/resolv.conf")


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
    """Return a code of three groups of three letters and digits that are not easily confused: 44 bits."""
    letters = "".join(secrets.choice(_LETTERS) for _ in range(9))
    return f"{letters[:3]}-{letters[3:6]}-{letters[6:]}"


Header = Callable[[str], str]  # the value of the header of that name, or nothing


def asker(address: str, header: Header) -> str:
    """Return under what name wrong codes are counted: the address, and the device by what it says of itself.

    A device that lies about itself only counts as another one; the length of the code prevents guessing
    (``docs/serving.md``).
    """
    device = header(DEVICE_HEADER) or parse_cookie(header("Cookie")).get(NAME_COOKIE) or header("User-Agent")
    return f"{address} {hashlib.sha256(device.encode('utf-8', 'replace')).hexdigest()[:16]}"


class AccessGuard:
    """Knows the access code, remembers devices by a cookie, slows down guessing.

    Wrong codes are counted for each asker apart, so that nobody can lock another out. A program's wrong code
    counts once: a rig with an old code keeps sending it, and learns nothing from the answers.
    """

    def __init__(self, code: str, secret: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._code, self._secret, self._clock = code, secret.encode(), clock
        self._lock = threading.Lock()
        # by asker: when each wrong code came, and the code
        self._wrong: OrderedDict[str, list[tuple[float, str]]] = OrderedDict()

    def token(self) -> str:
        """Return the cookie of a device that has given the code; worthless once the code changes."""
        return hmac.new(self._secret, self._code.encode(), hashlib.sha256).hexdigest()

    def knows(self, token: str | None) -> bool:
        """Whether the cookie is one of ours."""
        return token is not None and hmac.compare_digest(token.encode(), self.token().encode())

    def opens(self, code: str, who: str = "", *, program: bool = False) -> bool | None:
        """Whether the code is right; None if ``who`` gave too many wrong ones in the last minute."""
        said = code.strip().lower().replace(" ", "").replace("-", "")
        right = said != "" and hmac.compare_digest(
            said.encode("utf-8", "replace"), self._code.replace("-", "").encode()
        )
        with self._lock:
            wrong = self._recent(who)
            if program and said in (before for _, before in wrong):
                return False
            if len(wrong) >= TRIES:
                return None
            if not right:
                self._count(who, [*wrong, (self._clock(), said)])
            return right

    def admits(self, address: str, header: Header) -> bool | None:
        """Whether a request may come in, by its headers; None if its asker gave too many wrong codes."""
        if self.knows(parse_cookie(header("Cookie")).get(COOKIE)):
            return True
        code = _bearer(header("Authorization"))
        return False if code is None else self.opens(code, asker(address, header), program=True)

    def _recent(self, who: str) -> list[tuple[float, str]]:
        since_s = self._clock() - TRIES_WINDOW_S
        return [(at_s, said) for at_s, said in self._wrong.get(who, ()) if at_s > since_s]

    def _count(self, who: str, wrong: list[tuple[float, str]]) -> None:
        self._wrong[who] = wrong
        self._wrong.move_to_end(who)
        if len(self._wrong) > MOST_ASKERS:
            self._wrong.popitem(last=False)


def guard(app: Flask, *, access: AccessGuard | None, hosts: tuple[str, ...] = ()) -> None:
    """Put the checks before, and the headers after, every request of ``app``.

    access : set when others on the network may come in; without it only loopback names are answered.
    hosts : further host names, for a proxy in front.
    """
    app.extensions["spotwright-access"] = access

    @app.before_request
    def check() -> BaseResponse | None:
        if not _host_known(request.host, lan=access is not None, hosts=hosts):
            # plain text: with a name like this no address of ours can be built into a page
            return Response(f"{_STRANGER}\n", 421, mimetype="text/plain")
        if request.method not in ("GET", "HEAD", "OPTIONS") and not _same_site():
            abort(403, "This request came from another site and was refused.")
        return _let_in(access)

    @app.after_request
    def add_headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if request.endpoint not in _FILES:
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    if access is not None:
        _add_sign_in(app, access)


def _let_in(access: AccessGuard | None) -> BaseResponse | None:
    if (
        access is None
        or request.endpoint in (*_FILES, "sign_in")
        or access.knows(request.cookies.get(COOKIE))
    ):
        return None
    if _bearer(_header("Authorization")) is not None and request.path.startswith("/api/"):
        _check_code(access.admits(request.remote_addr or "", _header))
        return None
    if request.path.startswith("/api/") or request.method != "GET":
        abort(401, "This device has not given the access code yet: open the page and type it.")
    return redirect(url_for("sign_in"))


def _header(name: str) -> str:
    return request.headers.get(name, "")


def _bearer(authorization: str) -> str | None:
    """Return the access code that a program, not a browser, sends along (RFC 6750), or None."""
    kind, _, code = authorization.partition(" ")
    return code.strip()[:64] if kind.lower() == "bearer" else None


def _check_code(opened: bool | None) -> None:
    if opened is None:
        abort(429, "Too many wrong codes from here: wait a minute.")
    if not opened:
        abort(401, "That is not the access code: look at the console of the page's machine.")


def _add_sign_in(app: Flask, access: AccessGuard) -> None:
    @app.route("/door", methods=["GET", "POST"], endpoint="sign_in")
    def give_code() -> BaseResponse | tuple[str, int] | str:
        if request.method == "GET":
            return _asked()
        opened = access.opens(request.form.get("code", "")[:64], asker(request.remote_addr or "", _header))
        if opened is None:
            return render_template(
                "sign_in.html", fault="Too many wrong codes from here: wait a minute."
            ), 429
        if not opened:
            return render_template("sign_in.html", fault="That is not the code: look at the console."), 403
        response = redirect(url_for("pages.bench"))
        age_s = COOKIE_DAYS * 86400
        secure = request.is_secure
        response.set_cookie(
            COOKIE, access.token(), max_age=age_s, httponly=True, samesite="Strict", secure=secure
        )
        return response


def _asked() -> BaseResponse:
    """Return the form that asks for the code; a device that has no name yet gets one."""
    response = make_response(render_template("sign_in.html", fault=None))
    if NAME_COOKIE not in request.cookies:
        name = secrets.token_hex(8)
        response.set_cookie(NAME_COOKIE, name, httponly=True, samesite="Strict", secure=request.is_secure)
    return response


def _host_known(host: str, *, lan: bool, hosts: tuple[str, ...]) -> bool:
    try:
        name = (urlsplit(f"//{host}").hostname or "").lower().removesuffix(".")
    except ValueError:
        return False
    if name in ("localhost", "127.0.0.1", "::1") or name in hosts:
        return True
    return lan and (_is_address(name) or _is_own(name))


def _is_own(name: str) -> bool:
    """Whether this is a name of this machine: its own name, alone or in a domain of the local network.

    The network's router has given the machine that domain (resolv.conf(5), ``search``). A foreign page that
    points its own name to this machine's address (DNS rebinding) cannot change it.
    """
    full = socket.gethostname().lower().removesuffix(".")
    first, _, rest = name.partition(".")
    if not full:
        return False
    if name == full:
        return True
    return first == full.partition(".")[0] and (
        rest == "" or rest in PRIVATE or rest in search_domains(RESOLVER)
    )


def search_domains(resolver: Path) -> list[str]:
    """Return the domains in which names of the local network are looked up (resolv.conf(5)); [] if none."""
    try:
        lines = resolver.read_text("utf-8", "replace").splitlines()
    except OSError:
        return []
    listed = [
        line.split()[1:] for line in lines if line.startswith(("search ", "search\t", "domain ", "domain\t"))
    ]
    return [domain.lower().strip(".") for domain in (listed[-1] if listed else []) if domain.strip(".")]


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
    try:
        return origin is None or urlsplit(origin).netloc == request.host
    except ValueError:  # no URL at all
        return False
