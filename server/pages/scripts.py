"""Which scripts a page needs, so that the browser asks for all of them at once."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

__all__ = ["scripts_of"]

STATIC = Path(__file__).parent / "static"
_IMPORT = re.compile(r'(?:from|import) "\./([a-z]+)\.js";$', re.MULTILINE)


@cache
def scripts_of(name: str) -> tuple[str, ...]:
    """Return the names of the scripts that ``name`` imports, itself or through others, in the order found."""
    found: dict[str, None] = {}
    waiting = [name]
    while waiting:
        imported = _IMPORT.findall((STATIC / f"{waiting.pop(0)}.js").read_text("utf-8"))
        waiting += [other for other in imported if other not in found]
        found |= dict.fromkeys(imported)
    return tuple(found)
