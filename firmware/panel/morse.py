"""Text as flashes of one light: International Morse code, Recommendation ITU-R M.1677-1 (2009)."""

from __future__ import annotations

from itertools import chain

__all__ = ["SIGNS", "flashes"]

SIGNS = {
    "a": ".-", "b": "-...", "c": "-.-.", "d": "-..", "e": ".", "f": "..-.", "g": "--.", "h": "....",
    "i": "..", "j": ".---", "k": "-.-", "l": ".-..", "m": "--", "n": "-.", "o": "---", "p": ".--.",
    "q": "--.-", "r": ".-.", "s": "...", "t": "-", "u": "..-", "v": "...-", "w": ".--", "x": "-..-",
    "y": "-.--", "z": "--..",
    "0": "-----", "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....",
    "6": "-....", "7": "--...", "8": "---..", "9": "----.",
    ".": ".-.-.-", ":": "---...", "-": "-....-", "/": "-..-.",
}  # fmt: skip
_ON = {".": (True,), "-": (True,) * 3}
_BETWEEN_CHARACTERS, _BETWEEN_WORDS = (False,) * 3, (False,) * 7


def flashes(text: str) -> tuple[bool, ...]:
    """Return whether the light is on in each unit of time, the pause after the last word included.

    A dot is one unit, a dash three; one unit dark inside a character, three between characters, seven
    between words. Characters without a code are left out.
    """
    words = [[SIGNS[c] for c in word if c in SIGNS] for word in text.lower().split()]
    return tuple(chain.from_iterable((*_word(word), *_BETWEEN_WORDS) for word in words if word))


def _word(signs: list[str]) -> tuple[bool, ...]:
    spelled = [_joined([_ON[mark] for mark in sign], (False,)) for sign in signs]
    return _joined(spelled, _BETWEEN_CHARACTERS)


def _joined(parts: list[tuple[bool, ...]], gap: tuple[bool, ...]) -> tuple[bool, ...]:
    first, *rest = parts
    return first + tuple(chain.from_iterable((*gap, *part) for part in rest))
