"""Every press counts once, and only for the step that it answers.

A page sends two names with each action: ``step``, as its state has it, and ``key``, 8 to 64 letters, digits,
``-`` and ``_``, new for each press. If that step is no longer due, the answer is 409 with
``{"error": …, "state": …}``: the state to show now. A key that was seen before gets the same answer again and
nothing is done, so that a press without an answer can be sent once more. A press without its two names is
refused.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from server.log import Json
from server.session.session import Refused

__all__ = ["Presses"]

Answer = tuple[Json, int]  # body, HTTP status
MOST = 100  # a state has some 10 kB; a press is sent again within seconds, or not at all


@dataclass(frozen=True)
class _Seen:
    what: object
    answer: Answer | Refused


class Presses:
    """Remembers the newest presses of one session and the answer to each."""

    def __init__(self, *, most: int = MOST) -> None:
        self._most, self._lock = most, threading.Lock()
        self._seen: OrderedDict[str, _Seen] = OrderedDict()

    def once(self, key: str, what: object, act: Callable[[], Answer]) -> Answer:
        """Return what ``act`` answers, or what it answered to this key before; a refusal is raised again.

        what : the action and all that was sent with it; the same key with anything else is refused (422).
        Any other exception is not kept, so that the press may be sent again. One press at a time.
        """
        with self._lock:
            seen = self._seen.get(key)
            if seen is None:
                seen = _Seen(what, _answer(act))
                self._keep(key, seen)
            elif seen.what != what:
                raise Refused("This key belongs to another press: make a new one for each.", path="key")
        if isinstance(seen.answer, Refused):
            raise seen.answer
        return seen.answer

    def _keep(self, key: str, seen: _Seen) -> None:
        self._seen[key] = seen
        while len(self._seen) > self._most:
            self._seen.popitem(last=False)


def _answer(act: Callable[[], Answer]) -> Answer | Refused:
    try:
        return act()
    except Refused as refusal:
        return refusal
