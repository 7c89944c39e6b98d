"""The vision and solver calls that a session uses, and how they refuse: one line each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from server import solver
from server.errors import fault_line
from server.log import Json
from server.session.card_scale import CardScale
from server.session.snapshot import CardInPicture
from server.solver import Step
from server.sources.base import Pixels, Shot
from vision import BarRefused, CardView, NoReading, PictureRefused, Reading, find_card, load_picture, read

__all__ = ["Overtaken", "Refused", "Services", "load_shot", "measured", "read_photo", "refusing"]


class Refused(ValueError):
    """An action that was not done: one line for a person, and where the fault is."""

    def __init__(self, message: str, *, path: str = "", status: int = 422) -> None:
        super().__init__(message)
        self.message, self.path, self.status = message, path, status


class Overtaken(Refused):
    """An answer to a step that is no longer due."""

    def __init__(self) -> None:
        super().__init__("The step has changed since: this is the new one.", path="step", status=409)


def next_step(document: Json) -> Step:
    """Return the solver's step for a document; raises DocumentError."""
    return solver.next_step(solver.parse_alignment(document))


@dataclass(frozen=True)
class Services:
    """The vision and solver functions that a session calls; a test may pass its own."""

    next_step: Callable[[Json], Step] = next_step
    explain: Callable[[Json], str] = solver.explain
    check: Callable[[Json], object] = solver.parse_alignment
    read: Callable[[Pixels, Pixels | None], Reading | NoReading] = read
    find_card: Callable[[Pixels], tuple[str, CardView] | NoReading] = find_card
    marks_on: Callable[[Pixels], int] = lambda picture: _count(read(picture))
    load_picture: Callable[[bytes], Pixels] = load_picture


def measured(scale: CardScale) -> Services:
    """Return services that correct the cards' printed scale; bars that fit another size mean 'no card'."""

    def look(picture: Pixels) -> tuple[str, CardView] | NoReading:
        try:
            return find_card(picture, bar_mm=scale.bars_mm)
        except BarRefused as error:
            return NoReading(str(error), kind="no-card")

    def see(after: Pixels, before: Pixels | None) -> Reading | NoReading:
        try:
            return read(after, before, bar_mm=scale.bars_mm)
        except BarRefused as error:
            return NoReading(str(error), kind="no-card")

    return Services(read=see, find_card=look, marks_on=lambda picture: _count(see(picture, None)))


def _count(found: Reading | NoReading) -> int:
    return len(found.marks) if isinstance(found, Reading) else 0


def read_photo(after: bytes, before: bytes | None = None, *, services: Services | None = None) -> Reading:
    """Return the marks in a photo (the files' bytes); raises Refused if it has none or is not a picture."""
    return locate_photo(after, before, services=services or Services())[0]


def locate_photo(after: bytes, before: bytes | None, *, services: Services) -> tuple[Reading, CardInPicture]:
    """Return the same, and where the card is in the photo."""
    shot = load_shot(services, after, before)
    result = services.read(shot.after, shot.before)
    if isinstance(result, NoReading):
        raise Refused(result.reason, path="picture")
    return result, card_in_picture(result.station, result.card, shot.after.shape[:2])


def card_in_picture(station: str, view: CardView, size: tuple[int, int]) -> CardInPicture:
    """Return where that station's card is in pictures of ``size`` (rows, cols)."""
    rows, cols = size
    lines = tuple(tuple(float(value) for value in row) for row in view.homography)
    return CardInPicture(station, lines, (cols, rows), view.markers_seen)


def load_shot(services: Services, after: bytes, before: bytes | None) -> Shot:
    """Return both files' pictures; raises Refused (400) naming the file that is not a picture."""
    return Shot(_picture(services, after, "after"), _picture(services, before, "before") if before else None)


def _picture(services: Services, data: bytes, name: str) -> Pixels:
    try:
        return services.load_picture(data)
    except PictureRefused as error:
        raise Refused(str(error), path=name, status=400) from error


@contextmanager
def refusing() -> Iterator[None]:
    """Turn the solver's DocumentError into a Refused."""
    try:
        yield
    except solver.DocumentError as error:
        path = _tail(error.path)
        raise Refused(fault_line(path, error.message), path=path) from error


def _tail(path: str) -> str:
    parts = path.split(".")
    return ".".join(parts[2:]) if parts[0] == "events" and len(parts) > 2 else path
