"""Put pydantic's messages about input into plain words before a person sees them.

Solver, log and firmware check their own input and import nothing from here, so this is done at the edge.
"""

from __future__ import annotations

import re

__all__ = ["fault_line", "plain"]

# pydantic's sentences, each at the end of a line, after the place of the fault
_SENTENCE = re.compile(
    r"(?P<where>^|: )"
    r"(?P<said>Field required|Extra inputs are not permitted|Value error, .+|(?:[A-Z]\w+) should .+)$",
    re.DOTALL,
)
_WHOLE = {"Field required": "is missing; add it", "Extra inputs are not permitted": "unknown key"}
_PHRASES = (
    (r"^Value error, ", ""),
    (r"^[A-Z]\w+ should ", "must "),
    (r"have at least 1 character$", "not be empty"),
    (r"be a valid string.*", "be text"),
    (r"be a valid number.*", "be a number"),
    (r"be a valid integer.*", "be a whole number"),
    (r"be a valid boolean.*", "be true or false"),
    (r"be a valid (list|tuple).*", "be a list"),
    (r"be a valid dictionary.*", "be an object with named fields"),
    (r"be greater than or equal to ", "be at least "),
    (r"be less than or equal to ", "be at most "),
    (r"be greater than ", "be more than "),
    (r"match pattern ", "have the form "),
    (r" after validation", ""),
)


def plain(line: str) -> str:
    """Return the line with pydantic's sentence at its end in plain words; any other line as it is."""
    found = _SENTENCE.search(line)
    if found is None:
        return line
    said = found["said"]
    for phrase, ours in _PHRASES:
        said = re.sub(phrase, ours, said, flags=re.DOTALL)
    return line[: found.start("said")] + _WHOLE.get(said, said)


def fault_line(path: str, message: str) -> str:
    """Return the one line that a person sees: where the fault is, and what, in plain words."""
    return f"{path}: {plain(message)}" if path else plain(message)
