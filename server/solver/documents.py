"""Check JSON documents with pydantic and turn them into dataclasses; a fault is one message with its path."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from pydantic import ValidationError

from server.solver import schema as shapes
from server.solver.events import Alignment, Difference, Event, Inspected, MarkSeen, NoMark, Shift, Turn
from server.solver.machine import profile as p


class DocumentError(ValueError):
    """A document that cannot be read: where (dotted path) and why, in one line."""

    def __init__(self, path: str, message: str) -> None:
        super().__init__(f"{path}: {message}" if path else message)
        self.path = path
        self.message = message

    def as_json(self) -> dict[str, Any]:
        """``{"error": {"path": …, "message": …}}``."""
        return {"error": {"path": self.path, "message": self.message}}


_TAGS = {"mark", "no-mark", "difference", "turn", "shift", "inspected"}
# Replaces pydantic's messages that would name one of our classes.
_PLAIN = {
    "extra_forbidden": "unknown key",
    "model_type": "must be an object with named fields",
    "model_attributes_type": "must be an object with named fields",
    "union_tag_not_found": f"has no kind; kinds: {', '.join(sorted(_TAGS))}",
}


def parse_profile(data: Any) -> p.Profile:
    """A profile from the TOML file's content; DocumentError with the path inside the profile."""
    return _freeze_profile(_validated(shapes.Profile, data))


def parse_alignment(document: Any) -> Alignment:
    """An alignment document (JSON values) as frozen dataclasses; DocumentError says what and where."""
    read = _validated(shapes.Document, document)
    machine = _freeze_profile(read.machine)
    return Alignment(machine, tuple(_freeze_event(machine, i, e) for i, e in enumerate(read.events)))


def check_events(events: Any) -> None:
    """Raise DocumentError, as for an alignment document, where these are no events of any machine."""
    _validated(shapes.Events, {"events": events})


def _validated(model: type[Any], data: Any) -> Any:
    if not isinstance(data, Mapping):
        raise DocumentError("", f"must be an object, not {type(data).__name__}")
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise _one_line(error) from None


def _one_line(error: ValidationError) -> DocumentError:
    """The first fault; for a field that takes a number or a pair, why the alternative tried last failed."""
    faults = error.errors()
    fault = faults[0]
    loc = list(fault["loc"])
    if len(loc) > 2 and loc[0] == "events" and loc[2] in _TAGS:
        del loc[2]
    loc = [
        part
        for part in loc
        if not (isinstance(part, str) and ("[" in part or part in ("float", "constrained-float")))
    ]
    inner = fault.get("ctx", {}).get("error")
    message = str(inner) if isinstance(inner, ValueError) else fault["msg"]
    if isinstance(inner, shapes.Fault):
        loc.append(inner.at)
    message = _PLAIN.get(fault["type"], message)
    return DocumentError(".".join(str(part) for part in loc), message[:300])


def _freeze_profile(read: shapes.Profile) -> p.Profile:
    data = read.model_dump()
    path: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data["path"].items()}
    mounts = sorted(data["mount"], key=lambda m: int(m["mirror"]))
    return _one_and_the_same(
        p.Profile(
            name=data["name"],
            bed=p.Bed(**data["bed"]),
            path=p.Path(**path),
            beam=p.Beam(**data["beam"]),
            aperture=p.Aperture(**data["aperture"]),
            tolerance=p.Tolerance(**data["tolerance"]),
            tube=p.Tube(**data["tube"]),
            mount=_triple(_mount(m) for m in mounts),
            lens=p.Lens(**data["lens"]),
            card=p.Card(_before(data["card"]["before_mount_mm"])),
        )
    )


@lru_cache(maxsize=16)
def _one_and_the_same(profile: p.Profile) -> p.Profile:
    """The equal profile that was read before, if there is one: caches then find it by identity, quickly."""
    return profile


def _triple(items: Iterable[Any]) -> tuple[Any, Any, Any]:
    one, two, three = items
    return one, two, three


def _mount(data: dict[str, Any]) -> p.Mount:
    contact = _triple(_contact(c) for c in data["contact"])
    return p.Mount(data["mirror"], contact, data["turns_from"], data["turns_to"], data["base"])


def _before(data: float | dict[str, float]) -> tuple[float, float, float, float]:
    """For each station how far its card lies before the mount: one number for all, or one for those named."""
    one, two, three, tip = (data.get(s, 0.0) if isinstance(data, dict) else data for s in p.STATIONS)
    return one, two, three, tip


def _contact(data: dict[str, Any]) -> p.Contact:
    clockwise = 1 if data["clockwise"] is None else data["clockwise"]
    return p.Contact(data["name"], tuple(data["at_mm"]), data["screw_pitch_mm"], clockwise)


def _freeze_event(machine: p.Profile, index: int, event: Any) -> Event:
    where = f"events.{index}"
    match event:
        case shapes.Mark():
            head = _head(machine, where, event.head_mm)
            offset, sigma = _pair(event.offset_mm), _pair(event.sigma_mm)
            return MarkSeen(event.station, head, offset, sigma, event.hanging, event.below_mm or 0.0)
        case shapes.NoMark():
            head = _head(machine, where, event.head_mm)
            return NoMark(event.station, head, event.hanging, event.below_mm or 0.0)
        case shapes.Difference():
            start = _head(machine, where, event.from_head_mm, "from_head_mm")
            head, offset = _head(machine, where, event.head_mm), _pair(event.offset_mm)
            return Difference(event.station, start, head, offset, _pair(event.sigma_mm))
        case shapes.Turn():
            return _turn(machine, where, event)
        case shapes.Shift():
            return Shift(event.part, _triple(event.move_mm))
        case _:
            return Inspected(event.cause, event.outcome)


def _pair(value: list[float] | float) -> p.Point:
    return (value[0], value[1]) if isinstance(value, list) else (value, value)


def _head(machine: p.Profile, where: str, head: list[float], key: str = "head_mm") -> p.Point:
    x, y = head
    for i, (value, size, name) in enumerate(
        ((x, machine.bed.width_mm, "width"), (y, machine.bed.depth_mm, "depth"))
    ):
        if not 0 <= value <= size:
            reason = (
                f"the head stands outside the bed: {value:g} is not between 0 and the bed's {name}, {size:g}"
            )
            raise DocumentError(f"{where}.{key}.{i}", reason)
    return (x, y)


def _turn(machine: p.Profile, where: str, event: shapes.Turn) -> Turn:
    names = [c.name for c in machine.mount[event.mount - 1].contact if c.screw_pitch_mm is not None]
    if event.screw not in names:
        have = ", ".join(names) or "none"
        reason = f"mount {event.mount} has no screw '{event.screw[:60]}'; its screws: {have}"
        raise DocumentError(f"{where}.screw", reason)
    return Turn(event.mount, event.screw, event.turns)
