"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes) -> None:
    """Write a file; where that fails or is broken off, what was there before stays. Raises OSError.

    The error names ``path``, not the file beside it that takes its place in the end.
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
