"""The step: the one thing to do next."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from server.solver.machine.profile import Point

# Fields of a step in the order of its JSON, which leaves out those that are None.
FIELDS = (
    *("station", "head_mm", "tape", "hang", "below_mm", "lens"),
    *("mount", "screw", "turns", "part", "move_mm", "cause", "reason"),
)


@dataclass(frozen=True)
class Expect:
    """Where a mark at a place will be after this step alone; sigma_mm per axis, hand error included."""

    station: str
    head_mm: Point
    offset_mm: Point
    sigma_mm: float

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "station": self.station,
            "head_mm": list(self.head_mm),
            "offset_mm": [_short(v) for v in self.offset_mm],
            "sigma_mm": _short(self.sigma_mm),
        }


@dataclass(frozen=True)
class Verdict:
    """Whether it is good enough to cut, and why not. Lengths in mm over the whole bed.

    lens_mm : None without a mark on a card below, since no other mark shows where the beam meets the lens.
    """

    aligned: bool
    overlap_mm: dict[str, float]
    centre_mm: dict[str, float]
    lens_mm: float | None
    nozzle_mm: float
    worst_power: float
    worst_at_head_mm: Point
    reasons: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "aligned": self.aligned,
            "overlap_mm": {key: _short(v) for key, v in self.overlap_mm.items()},
            "centre_mm": {key: _short(v) for key, v in self.centre_mm.items()},
            "lens_mm": None if self.lens_mm is None else _short(self.lens_mm),
            "nozzle_mm": _short(self.nozzle_mm),
            "worst_power": round(self.worst_power, 4),
            "worst_at_head_mm": list(self.worst_at_head_mm),
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True)
class Known:
    """A number and its standard uncertainty."""

    value: float
    sigma: float


@dataclass(frozen=True)
class CutThere:
    """What a cut gets at one place: power 0–1; in mm its lean in a sheet of 6 mm, how far the focus lies
    below where it lies at the middle of the bed, and the width of the spot there.
    """

    power: Known
    lean_mm: Known
    focus_mm: Known
    spot_mm: Known


@dataclass(frozen=True)
class Forecast:
    """What a cut gets at one of the five positions: as found (None once something was repaired), now, and
    after the step.
    """

    head_mm: Point
    found: CutThere | None
    now: CutThere
    after: CutThere

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return asdict(self) | {"head_mm": list(self.head_mm)}


Pair = tuple[Known, Known]  # along u and v
ANGLES, MAP = ("tube", "leg-1-2", "leg-2-3", "down"), ("mean", "per_m_y", "per_m_x", "per_m2_xy")


@dataclass(frozen=True)
class Estimate:
    """What is known of the beam, by name; None while unknown.

    angles_mrad : of each of ANGLES.
    five_point : terms of the marks at mirror 3 in mm, by MAP: offset = mean + per_m_y·y + per_m_x·x +
        per_m2_xy·x·y, x and y in m from the middle of the bed.
    """

    angles_mrad: dict[str, Pair | None]
    five_point: dict[str, Pair | None]

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "angles_mrad": {name: _both(pair) for name, pair in self.angles_mrad.items()},
            "five_point": {name: _both(pair) for name, pair in self.five_point.items()},
        }


UNKNOWN = Estimate(dict.fromkeys(ANGLES), dict.fromkeys(MAP))


@dataclass(frozen=True)
class Parts:
    """The sentence of a step in parts, for pages that show them separately.

    Each is a phrase without capital letter and full stop, or "" where the step has no such part; only
    ``noticed`` is whole sentences.

    first : the condition before hands go near: "with the supply off and discharged".
    what : the order itself, as a verb phrase: "turn the 'top' screw of mirror 1", "mark mirror 2".
    where : where the head stands while it is done: "head at the front left".
    how_much : the size: "3/16 turn", "0.4 mm to the back and 1.2 mm up" (with the directions of a shift).
    way : the direction of a turn: "clockwise", "anticlockwise".
    care : what to mind while doing it: the cautions of a pulse, what to look at in an inspection.
    then : what comes next: "the next mark at mirror 2, head at the front left, should land 0.4 mm right …".
    why : the reason in one plain sentence, without its full stop.
    noticed : what the solver has noticed and says first, in whole sentences.
    """

    what: str
    first: str = ""
    where: str = ""
    how_much: str = ""
    way: str = ""
    care: str = ""
    then: str = ""
    why: str = ""
    noticed: str = ""

    @property
    def order(self) -> str:
        """First, what, how much, which way and where as one phrase that begins with a capital letter."""
        size = " ".join(part for part in (self.how_much, self.way) if part)
        by = "by " if self.way else ""
        words = f"{self.what} {by}{size}" if size else self.what
        words = f"{words}, {self.where}" if self.where else words
        words = f"{self.first}, {words}" if self.first else words
        return words[:1].upper() + words[1:]

    @property
    def sentence(self) -> str:
        """All but ``why`` for a person: what was noticed, the order, what to mind, what comes next."""
        care = f": {self.care}" if self.care else ""
        then = f"; {self.then}" if self.then else ""
        noticed = f"{self.noticed} " if self.noticed else ""
        return f"{noticed}{self.order}{care}{then}."

    def as_json(self) -> dict[str, str]:
        """All parts by name, empty ones as ""."""
        return asdict(self)


@dataclass(frozen=True)
class Step:
    """One of: mark, turn, shift, inspect, done, stop. Fields that a kind does not use are None.

    tape : 'same' where the next mark is to lie beside the last on one tape, else 'fresh'.
    hang : 'anew' where the card is to be taken off and hung again.
    below_mm, lens : of station 'below' only.
    parts : its sentence in parts; ``say`` and ``why`` are made of them.
    weighed : the numbers that decided the step, as ``explain`` shows them; not part of the JSON.
    """

    do: str
    station: str | None = None
    head_mm: Point | None = None
    mount: int | None = None
    screw: str | None = None
    turns: float | None = None
    part: str | None = None
    move_mm: tuple[float, float, float] | None = None
    cause: str | None = None
    reason: str | None = None
    tape: str | None = None
    hang: str | None = None
    below_mm: float | None = None
    lens: str | None = None
    expect: Expect | None = None
    parts: Parts = Parts("")
    weighed: str = ""
    estimate: Estimate = UNKNOWN
    verdict: Verdict | None = None
    forecast: tuple[Forecast, ...] | None = None

    @property
    def why(self) -> str:
        """The reason as one plain sentence."""
        return f"{self.parts.why[:1].upper()}{self.parts.why[1:]}." if self.parts.why else ""

    @property
    def say(self) -> str:
        """One sentence for a person, never empty."""
        return self.parts.sentence

    def as_json(self) -> dict[str, Any]:
        """The step in the interface's shape, with the fields of its kind."""
        data: dict[str, Any] = {"do": self.do}
        for name in FIELDS:
            value = getattr(self, name)
            if value is not None:
                data[name] = list(value) if isinstance(value, tuple) else value
        data |= {"say": self.say, "why": self.why, "parts": self.parts.as_json()}
        if self.expect is not None:
            data["expect"] = self.expect.as_json()
        data["estimate"] = self.estimate.as_json()
        data["forecast"] = None if self.forecast is None else [place.as_json() for place in self.forecast]
        data["verdict"] = None if self.verdict is None else self.verdict.as_json()
        return data


def _short(value: float) -> float:
    return round(float(value), 4)


def _both(pair: Pair | None) -> list[dict[str, float] | None]:
    if pair is None:
        return [None, None]
    return [{"value": _short(one.value), "sigma": _short(one.sigma)} for one in pair]
