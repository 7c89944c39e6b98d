"""The pictures: one file each, named by the hash of its content, complete or absent."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from server.log._database import PART, fsync, fsync_folder, make_folder, sync_disk, written_whole
from server.log._text import PICTURE


def name_of(data: bytes) -> str:
    """``ab/ab….jpg``: the SHA-256 of the content, in one of 256 folders, and what kind of file it is."""
    digest = hashlib.sha256(data).hexdigest()
    return f"{digest[:2]}/{digest}.{_suffix(data)}"


def _suffix(data: bytes) -> str:
    if data.startswith(b"\xff\xd8\xff"):
        return "jpg"
    return "png" if data.startswith(b"\x89PNG\r\n\x1a\n") else "bin"


class PictureFolder:
    """The pictures of one log."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def keep(self, data: bytes, *, sync: bool = True) -> str:
        """Write ``data`` so that it survives a power cut, or :meth:`sync` it later; returns its name."""
        name = name_of(data)
        if self.read(name) != data:
            path = self.folder / name
            make_folder(path.parent)
            with written_whole(path, sync=sync) as file:
                file.write(data)
        return name

    def sync(self, names: list[str]) -> None:
        """Make all these files, kept without sync, survive a power cut. Raises OSError."""
        if not names or sync_disk(self.folder):
            return
        for name in names:
            fsync(self.folder / name)
        for folder in {name[:2] for name in names}:
            fsync_folder(self.folder / folder)

    def read(self, name: str) -> bytes | None:
        """The picture's bytes, None when it is not there."""
        try:
            return (self.folder / name).read_bytes()
        except FileNotFoundError:
            return None

    def size(self, name: str) -> int:
        """Bytes, 0 when it is not there."""
        try:
            return (self.folder / name).stat().st_size
        except FileNotFoundError:
            return 0

    def names(self) -> Iterator[str]:
        """Yield all files that we wrote there: pictures, and unfinished parts of pictures."""
        for folder in sorted(self.folder.glob("??")):
            for file in sorted(os.listdir(folder)) if folder.is_dir() else ():
                name = f"{folder.name}/{file}"
                if PICTURE.fullmatch(name) or name.endswith(PART):
                    yield name

    def remove(self, name: str) -> int:
        """Remove one picture; returns the bytes freed."""
        size = self.size(name)
        (self.folder / name).unlink(missing_ok=True)
        return size
