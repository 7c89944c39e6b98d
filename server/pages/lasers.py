"""The lasers whose measurements are known: one JSON profile each, one of them current."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from pathlib import Path

from server.errors import told
from server.log import Json, write_for_good
from server.practice import default_profile
from server.session.session import Refused
from server.solver import DocumentError, parse_profile, profile_as_json

__all__ = ["Lasers"]

LIMIT = 100_000


class Lasers:
    """A folder of profiles; empty, it offers the practice profile alone."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def names(self) -> list[str]:
        """Return the names of the lasers, the current one first."""
        current = self.current()["name"]
        others = sorted(json.loads(path.read_text("utf-8"))["name"] for path in self._folder.glob("*.json"))
        return [current, *(name for name in others if name != current)]

    def current(self) -> Json:
        """Return the profile that the next alignment starts with."""
        pointer = self._folder / "current"
        path = self._folder / pointer.read_text("utf-8") if pointer.exists() else None
        if path is None or not path.exists():
            return _practice()
        return dict(json.loads(path.read_text("utf-8")))

    def choose(self, name: str) -> Json:
        """Make the laser of that name the current one."""
        path = self._path(name)
        if not path.exists():
            if name != _practice()["name"]:
                raise Refused("There is no laser of that name.", path="name", status=404)
            (self._folder / "current").unlink(missing_ok=True)
            return _practice()
        write_for_good(self._folder / "current", path.name)
        return self.current()

    def add_toml(self, text: bytes) -> Json:
        """Check and keep a profile given as TOML, and make it current; raises Refused."""
        if len(text) > LIMIT:
            raise Refused("The profile is longer than 100 kB.", path="profile", status=413)
        try:
            data = tomllib.loads(text.decode("utf-8"))
        except ValueError as error:
            raise Refused(f"The profile is not TOML: {error}", path="profile", status=400) from error
        return self.add(data)

    def add(self, data: Json) -> Json:
        """Check and keep a profile given as plain values, and make it current; raises Refused."""
        profile = _checked(data)
        path = self._path(profile["name"])
        self._folder.mkdir(parents=True, exist_ok=True)
        write_for_good(path, json.dumps(profile, indent=1))
        write_for_good(self._folder / "current", path.name)
        return profile

    def _path(self, name: str) -> Path:
        slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
        tell_apart = hashlib.sha256(name.encode()).hexdigest()[:8]  # names of other scripts have no slug
        return self._folder / f"{slug}-{tell_apart}.json"


def _practice() -> Json:
    return profile_as_json(default_profile())


def _checked(data: Json) -> Json:
    try:
        return profile_as_json(parse_profile(data))
    except DocumentError as error:
        raise Refused(told(error.path, error.message), path=error.path) from error
