"""An alignment at a camera by pressing only the large button, with wrong cards and pulses not fired."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from server.pages import Config, create_app
from server.practice import PracticeMachine
from server.session.services import Services
from tests.pages.doubles import VIEW, Bench, blank_card, mark, reading
from tests.pages.person import EVERY, Person
from vision import NoReading, Reading

SEED = 3


class Seen:
    """What the camera sees of the machine, without drawing it: the card there, and where the beam struck."""

    def __init__(self, machine: PracticeMachine) -> None:
        self.machine, self.known = machine, 0

    def services(self) -> Services:
        return Services(
            read=self.read,
            find_card=lambda _: (self.machine.station, VIEW),
            marks_on=lambda _: len(self._burns()),
        )

    def read(self, after: object, before: object) -> Reading | NoReading:
        burns = self._burns()
        new = [mark(*burn.offset_mm) for burn in burns[-1:]]
        return reading(self.machine.station, *new) if new else blank_card(self.machine.station)

    def _burns(self) -> list[object]:
        return self.machine.cards[self.machine.station].burns


def aligned(folder: Path, every: int) -> tuple[Person, Counter[str]]:
    """Return who aligned the machine by pressing only the large button, and how many events of each kind."""
    machine = PracticeMachine(SEED)
    services = Seen(machine).services()
    app = create_app(Config(data=folder, source=lambda: Bench(kind="camera"), services=services))
    person = Person(app.test_client(), machine, every=every)
    assert person.align()["do"] == "done"
    return person, Counter(row["kind"] for row in person.events())


def test_each_mistake_costs_no_more_than_three_presses_and_no_move_of_a_mount(tmp_path: Path) -> None:
    _, without = aligned(tmp_path / "without", 0)
    person, kinds = aligned(tmp_path / "with", EVERY)
    assert len(person.cost) >= 4 and max(person.cost) <= 3
    assert kinds["shift"] <= without["shift"]
    assert not kinds["no-mark"]
