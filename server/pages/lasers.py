"""The profiles of the lasers, a JSON file each; one of them is current."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from pathlib import Path

from server.errors import fault_line
from server.log import Json, Settings, one_line, write_for_good
from server.practice import default_profile
from server.session.session import Refused
from server.solver import DocumentError, parse_profile, profile_as_json

__all__ = ["Lasers"]

LIMIT = 100_000


class Lasers:
    """A folder of profiles; while it is empty, there is only the practice laser's."""

    def __init__(self, folder: Path, settings: Settings | None = None) -> None:
        self._folder, self._settings = folder, settings or Settings()

    def names(self) -> list[str]:
        """Return the names of the lasers, the current one first; damaged profiles are left out."""
        current = self.current()["name"]
        kept = [self._profile(path, "that laser is not offered") for path in self._folder.glob("*.json")]
        return [current, *sorted(one["name"] for one in kept if one is not None and one["name"] != current)]

    def current(self) -> Json:
        """Return the profile for the next alignment; the practice laser's if that is damaged."""
        instead = "the practice laser's profile is used: choose your laser again before you align it"
        name = self._settings.read(self._folder / "current", _file_name, None, instead=instead)
        found = None if name is None else self._profile(self._folder / name, instead)
        return found or _practice()

    def _profile(self, path: Path, instead: str) -> Json | None:
        return self._settings.read(path, _profile_in, None, instead=instead)

    def choose(self, name: str) -> Json:
        """Make the laser of that name the current one."""
        path = self._path(name)
        if not path.exists():
            if name != _practice()["name"]:
                raise Refused("There is no laser of that name.", path="name", status=404)
            (self._folder / "current").unlink(missing_ok=True)
            return _practice()
        with one_line(self._folder):
            write_for_good(self._folder / "current", path.name)
        return self.current()

    def add_toml(self, text: bytes) -> Json:
        """Check and keep a profile given as TOML, and make it current; raises Refused."""
        if len(text) > LIMIT:
            raise Refused("The profile is longer than 100 kB.", path="profile", status=413)
        try:
            data = tomllib.loads(text.decode("utf-8"))
        except (ValueError, RecursionError) as error:
            reason = error if isinstance(error, ValueError) else "nested too deeply"
            raise Refused(f"The profile is not TOML: {reason}", path="profile", status=400) from error
        return self.add(data)

    def add(self, data: Json) -> Json:
        """Check and keep a profile given as plain values, and make it current; raises Refused."""
        profile = _checked(data)
        path = self._path(profile["name"])
        with one_line(self._folder):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_for_good(path, json.dumps(profile, indent=1))
            write_for_good(self._folder / "current", path.name)
        return profile

    def check(self, data: Json) -> None:
        """Raise Refused if ``data`` is no profile."""
        _checked(data)

    def _path(self, name: str) -> Path:
        slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
        tell_apart = hashlib.sha256(name.encode()).hexdigest()[:8]  # a name without Latin letters has no slug
        return self._folder / f"{slug}-{tell_apart}.json"


def _file_name(text: str) -> str:
    if not re.fullmatch(r"[a-z0-9-]{1,60}\.json", text.strip()):
        raise ValueError("not the name of a profile")
    return text.strip()


def _profile_in(text: str) -> Json:
    return profile_as_json(parse_profile(json.loads(text)))


def _practice() -> Json:
    return profile_as_json(default_profile())


def _checked(data: Json) -> Json:
    try:
        return profile_as_json(parse_profile(data))
    except DocumentError as error:
        raise Refused(fault_line(error.path, error.message), path=error.path) from error
