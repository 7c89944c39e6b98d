"""Writes files that are complete or absent, never half-written."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes) -> None:
    """Write a file. If that fails or is interrupted, the previous file stays.

    Raises OSError; it names ``path``, not the temporary file that replaces it in the end.
    """
    part: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        part = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        part.chmod(0o666 & ~_umask())
        part.replace(path)
        part = None
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
