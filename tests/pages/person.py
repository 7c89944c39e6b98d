"""A person at a laser with a camera who does what the large button says, and now and then something else."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

from flask.testing import FlaskClient

from server.practice import PracticeMachine
from server.solver.machine.profile import STATIONS
from tests.pages.doubles import names

Json = dict[str, Any]
EVERY = 5


@dataclass
class Person:
    """Hangs cards, fires, turns and moves at the machine, and presses only the large button of the page.

    every : each so many-th card is another station's, each so many-th pulse is not fired; 0: none. presses :
    how many were pressed. cost : presses that each mistake took more than none would have.
    """

    client: FlaskClient
    machine: PracticeMachine
    every: int = EVERY
    most: int = 400
    presses: int = 0
    cost: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._cards, self._pulses = itertools.count(1), itertools.count(1)
        self._wrong: int | None = None  # the number of the press with which the mistake was made

    def align(self) -> Json:
        """Press until the page asks for nothing more; returns its last state."""
        while (state := self._state())["do"] not in ("done", "stop"):
            assert self.presses < self.most, f"no end in sight: {state['say']} {state['primary']}"
            self._do(state, state["choices"][0] if state["choices"] else state["primary"])
        return state

    def events(self) -> list[Json]:
        """What the page has saved, newest first, without what does not count."""
        return [row for row in self._state()["readings"] if not row["withdrawn"]]

    def _do(self, state: Json, button: Json) -> None:
        mistaken = self._act(state, button)
        answer = self.client.post(
            f"/api/do/bench/{button['action']}", json=button["body"] | names(self.client)
        )
        self.presses += 1
        if mistaken and self._wrong is None:
            self._wrong = self.presses
        elif answer.status_code == 200 and self._wrong is not None:
            self.cost.append(self.presses - self._wrong)
            self._wrong = None

    def _act(self, state: Json, button: Json) -> bool:
        """Do what the button says was done; returns whether it was something else."""
        body, machine = button["body"], self.machine
        match button["action"]:
            case "hang":
                mistaken = bool(self.every) and next(self._cards) % self.every == 0
                wanted = body["station"]
                machine.hang(STATIONS[(STATIONS.index(wanted) + 1) % 4] if mistaken else wanted)
                machine.move_head(body["head_mm"])
                machine.fresh_card()
                return mistaken
            case "pulse":
                if self.every and next(self._pulses) % self.every == 0:
                    return True
                machine.pulse()
            case "turn":
                machine.turn(body["mount"], body["screw"], body["turns"])
            case "shift":
                x_mm, y_mm, z_mm = body["move_mm"]
                machine.shift(body["part"], (x_mm, y_mm, z_mm))
        return False

    def _state(self) -> Json:
        return dict(self.client.get("/api/state").get_json())
