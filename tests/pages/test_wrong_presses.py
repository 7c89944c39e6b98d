"""Every button at every state, with wrong cards, late, doubled, repeated and from a second device.

A person, a card and a laser are played by the machine of states below; the page is pressed over HTTP. What is
written must have happened, and from wherever that led, doing what the large button says leads to the end.
"""

from __future__ import annotations

import itertools
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from server.pages import Config, create_app
from server.pages.symptoms import SYMPTOMS
from tests.pages.doubles import VIEW, Bench, Script, blank_card, mark, reading
from vision import CardView, NoReading, Reading

Json = dict[str, Any]
STATIONS = ("mirror-1", "mirror-2", "mirror-3", "nozzle")
MOST_PRESSES = 30  # to the end: five steps, each hung, doubted and fired at, and what was wrong before


@dataclass
class Card(Script):
    """What really hangs before the camera: a card or none, old marks on its tape, a pulse not yet read."""

    fired: bool = False

    def read(self, after: object, before: object) -> Reading | NoReading:
        if self.card is None:
            return NoReading("no card in view", "no-card")
        old = [mark(15.0, 15.0, new=False)] * self.old_marks
        if self.fired:
            return reading(self.card, mark(), *old)
        return reading(self.card, *old) if old else blank_card(self.card)

    def find(self, picture: object) -> tuple[str, CardView] | NoReading:
        return (self.card, VIEW) if self.card else NoReading("no card in view", "no-card")

    def hang(self, station: str | None) -> None:
        """Another card, or the same with fresh tape."""
        self.card, self.old_marks, self.fired = station, 0, False

    def took(self) -> None:
        """The mark of the pulse was read: now it is an old one."""
        self.old_marks, self.fired = self.old_marks + 1, False


class Presses(RuleBasedStateMachine):
    """``shown`` are states that a page may still show; ``missed`` counts what the camera saw of misfires."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.card, self.bench = Card(card=None), Bench(kind="camera")
        config = Config(data=Path(self.folder.name), source=lambda: self.bench, services=self.card.services())
        self.app = create_app(config)
        self.client, self.keys = self.app.test_client(), itertools.count()
        self.session = self.app.extensions["spotwright"].session("bench")
        self.shown: list[Json] = []
        self.missed = 0

    @initialize(frame_loop=st.booleans())
    def begin(self, frame_loop: bool) -> None:
        self.frame_loop = frame_loop
        self.shown.append(self.state())

    # the world

    @rule(station=st.sampled_from(STATIONS))
    def hang_any_card(self, station: str) -> None:
        self.hang(station)

    @rule()
    def hang_the_right_card(self) -> None:
        self.hang(self.due())

    @rule()
    def take_the_card_off(self) -> None:
        self.hang(None)

    @precondition(lambda self: self.card.card is not None)
    @rule()
    def fire(self) -> None:
        self.card.fired = True

    # the page

    @rule(which=st.integers(0, 6), tab=st.sampled_from("ab"))
    def press_what_is_due(self, which: int, tab: str) -> None:
        state = self.state()
        self.press(state, pick(state, which), tab=tab)

    @rule(which=st.integers(0, 6), back=st.integers(0, 5), tab=st.sampled_from("ab"))
    def press_late(self, which: int, back: int, tab: str) -> None:
        state = self.shown[max(len(self.shown) - 1 - back, 0)]
        self.press(state, pick(state, which), tab=tab)

    @rule(what=st.sampled_from(list(SYMPTOMS)))
    def begin_a_check(self, what: str) -> None:
        self.press(self.state(), {"action": "check", "body": {"what": what}})

    @rule(which=st.integers(0, 6))
    def press_twice_by_one_key(self, which: int) -> None:
        state = self.state()
        button, key = pick(state, which), self.key()
        first = self.press(state, button, key=key)
        before = self.events()
        again = self.send(state, button, key)
        assert (again.status_code, again.get_json()) == (first.status_code, first.get_json())
        assert self.events() == before

    @rule(which=st.integers(0, 6))
    def press_twice_by_two_keys(self, which: int) -> None:
        state = self.state()
        button = pick(state, which)
        first, before = self.press(state, button), self.events()
        if first.status_code == 200 and button["action"] != "watch":
            assert self.send(state, button, self.key(), tab="b").status_code == 409
            assert self.events() == before

    @invariant()
    def no_event_is_of_a_card_that_was_not_there(self) -> None:
        assert all(event["kind"] != "mark" or event["offset_mm"] == [1.5, -0.5] for event in self.events())

    def teardown(self) -> None:
        """A person who now does what the large button says reaches the end."""
        try:
            self.follow_the_large_button()
        finally:
            self.app.extensions["spotwright"].log.close()
            self.folder.cleanup()

    def follow_the_large_button(self) -> None:
        for _ in range(MOST_PRESSES):
            state = self.state()
            if state["do"] in ("done", "stop"):
                return
            button = state["primary"] if state["primary"]["action"] else state["others"][0]
            if button["action"] == "hang":
                self.hang(button["body"]["station"])
            if button["action"] == "pulse":
                self.card.fired = True
            self.press(state, state["choices"][0] if button["action"] == "look" else button)
        raise AssertionError(f"no way back from {self.state()['say']} {self.state()['primary']}")

    # inside

    def press(self, state: Json, button: Json, *, key: str = "", tab: str = "a") -> Any:
        """Press, and hold what was written against what has happened."""
        due, before, card = self.state(), self.events(), self.card
        true_card, was_fired = card.card, card.fired
        place = self.session.snapshot().place
        answer = self.send(state, button, key or self.key(), tab=tab)
        assert answer.status_code in (200, 409, 422), answer.text
        added = self.events()[len(before) :]
        if state["step"] != due["step"]:
            assert (answer.status_code, added) == (409, [])
            assert answer.get_json()["state"]["step"] == due["step"]
            return answer
        self.hold(button["action"], answer, added, true_card=true_card, was_fired=was_fired, place=place)
        self.shown.append(self.state())
        return answer

    def hold(
        self,
        action: str,
        answer: Any,
        added: list[Json],
        *,
        true_card: str | None,
        was_fired: bool,
        place: Any,
    ) -> None:
        kinds = [event["kind"] for event in added]
        if action == "pulse":
            at_card = place is not None and true_card == place.station
            assert kinds == (["mark"] if at_card and was_fired and answer.status_code == 200 else [])
            if kinds:
                assert added[0]["station"] == true_card
                self.card.took()
                self.missed = 0
            else:
                self.missed = self.missed + 1 if at_card and not was_fired else 0
        elif action == "no-mark":
            assert kinds == (["no-mark"] if answer.status_code == 200 else [])
            assert not kinds or self.missed >= 2
            self.missed = 0
        elif action == "hang":
            assert kinds == []
            assert answer.status_code != 200 or true_card in (None, self.session.snapshot().place.station)
            self.missed = 0
        elif action in ("turn", "shift", "inspected"):
            assert (answer.status_code, kinds) == (200, ["inspected" if action == "inspected" else action])
        else:
            assert kinds == []
            self.missed = 0 if action == "check" else self.missed

    def send(self, state: Json, button: Json, key: str, *, tab: str = "a") -> Any:
        body = {**button["body"], "step": state["step"], "key": key}
        path = f"/api/do/bench/{button['action']}"
        return self.client.post(path, json=body, headers={"X-Spotwright-Tab": tab})

    def hang(self, station: str | None) -> None:
        self.card.hang(station)
        if self.frame_loop:
            view = VIEW if station else None
            self.session.card_in_view(station, view, (72, 128))

    def key(self) -> str:
        return f"key-{next(self.keys):08d}"

    def state(self) -> Json:
        state: Json = self.client.get("/api/state").get_json()
        return state

    def events(self) -> list[Json]:
        events: list[Json] = self.session.document()["events"]
        return events

    def due(self) -> str:
        return str(self.session.snapshot().step.station or "mirror-1")


def pick(state: Json, which: int) -> Json:
    """One of the buttons that the state shows; one that only opens a choice is no press."""
    shown = [state["primary"], *state["others"], *state["choices"], state["undo"]]
    real = [
        button for button in shown if button is not None and button["action"] not in ("", "look", "restart")
    ]
    return real[which % len(real)] if real else {"action": "watch", "body": {"on": False}}


Presses.TestCase.settings = settings(
    max_examples=10,
    stateful_step_count=30,
    deadline=None,
    database=None,
    report_multiple_bugs=False,
    phases=[Phase.generate],  # to shrink takes minutes; what was pressed is printed as it was
    suppress_health_check=list(HealthCheck),
)
TestWrongPresses = Presses.TestCase
