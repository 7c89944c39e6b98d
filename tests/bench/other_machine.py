"""Measure the solver on a second simulated laser, written from docs/optics.md and the document format alone.

    python tests/bench/other_machine.py --machines 24
    python tests/bench/other_machine.py --kinds "one shift none,eye" --each
    python tests/bench/other_machine.py --pairs 60 --each

Nothing of ``tests/machines`` is used here: the trace, the errors and the ways of going wrong are different.
Each kind is an ordinary machine with one thing out of the ordinary; its steps are followed to the end. One
line for each kind: how many machines ended truly within tolerance ('solved'), were called done beyond a
tolerance ('off'; in brackets, by half of it or more), were stopped, reached MOST_PULSES or MOST_STEPS
('loop'), or raised an error; in how many an inspection was asked for although nothing is at fault; medians of
pulses and moves. --each lists the machines that were not solved. --pairs N plays N machines, each with
two kinds at once, drawn by the number of the first. Sizes of errors are our own guesses (common
practice, no source).
"""

from __future__ import annotations

import argparse
import collections
import json
import math
import os
import random
import statistics
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from server.solver import answer

Vec = tuple[float, float, float]
MOST_PULSES, MOST_STEPS = 80, 250


def add(a: Vec, b: Vec, k: float = 1.0) -> Vec:
    """a + k b."""
    return (a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2])


def dot(a: Vec, b: Vec) -> float:
    """The scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vec, b: Vec) -> Vec:
    """The vector product."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def unit(a: Vec) -> Vec:
    """a with length 1."""
    size = math.sqrt(dot(a, a))
    return (a[0] / size, a[1] / size, a[2] / size)


def about_z(a: Vec, angle: float) -> Vec:
    """a turned about +Z."""
    c, s = math.cos(angle), math.sin(angle)
    return (c * a[0] - s * a[1], s * a[0] + c * a[1], a[2])


@dataclass(frozen=True)
class Kind:
    """What is out of the ordinary. The defaults are an ordinary machine and a careful person."""

    width: float = 1600.0
    depth: float = 1000.0
    corner: str = "back-left"
    near_12: float = 120.0
    near_23: float = 90.0
    tube_mm: float = 2.0  # half-width of a tube mount's place
    tilt_mrad: float = 4.0  # half-width of each mirror's tilt about each axis
    off_edge: bool = False  # the beam starts at mirror 1's edge or off it, or misses mirror 2
    pitch: float = 1.0  # true pitch / the profile's
    arms: float = 1.0  # true lever arms / the profile's
    places: str = ""  # a key of PLACES: where the screws of one mount truly are
    noise: str = "gauss"  # 'heavy', 'outlier'
    drift_mrad: float = 0.0  # of the tube's direction, over 40 pulses
    wander_mrad: float = 0.0  # of the tube's direction, slowly there and back
    play: float = 0.0  # turns, of one screw
    all_play: float = 0.0
    hand: float = 1.0
    hand_share: float = 0.05
    doubles: int = 0  # each n-th turn is twice as large
    presses_on: float = 0.0  # probability that a move is not made, but noted as made
    other_screw: float = 0.0  # probability that another screw of the mount is turned, noted as asked
    slips_once: str = ""  # 'way', 'none': one of the first shifts goes the other way, or is not made
    elsewhere_mm: float = 0.0  # the head stands up to so far from where it should; its true place is noted
    twice: bool = False  # each mark is entered twice
    hung_one: float = 0.0  # mm: one mirror's card always hangs off by so much, in the same direction
    hang_sd: float = 0.1
    bow_mm: float = 0.0
    rack_mm: float = 0.0
    dead: bool = False
    reversed_one: bool = False
    reversed_mount: bool = False
    end_stop: float = 0.0  # every screw ends after so many turns either way
    end_told: bool = False
    false_blanks: int = 0
    claims: float = 1.0  # claimed sigma / true
    no_hanging: bool = False
    stale: bool = False  # the events begin with an alignment a week ago; all has moved a little since
    bumped_mrad: float = 0.0  # once, the mount of the mirror whose card is hung is bumped by up to so much
    knocked: bool = False  # once, everything moves a little
    reading_sd: float = 0.06
    eye: bool = False  # offsets read by eye: to 0.5 mm, no sigma given
    miswritten: float = 0.0  # probability that u of a mark is entered with the wrong sign
    mirrored_u: bool = False  # u always has the wrong sign: this person looks at cards from behind


KINDS: dict[str, Kind] = {
    "plain": Kind(),
    "long bed": Kind(width=3000, depth=2000),
    "short bed": Kind(width=300, depth=200),
    "back right": Kind(corner="back-right"),
    "wide gaps": Kind(near_12=450, near_23=400),
    "pitch 0.5": Kind(pitch=0.714),
    "pitch 1.0": Kind(pitch=1.43),
    "arms x1.25": Kind(arms=1.25),
    "mirrored": Kind(places="mirrored"),
    "turned": Kind(places="turned"),
    "renamed": Kind(places="renamed"),
    "exchanged": Kind(places="exchanged"),
    "opposite": Kind(places="opposite"),
    "reversed one": Kind(reversed_one=True),
    "reversed mount": Kind(reversed_mount=True),
    "dead screw": Kind(dead=True),
    "heavy": Kind(noise="heavy"),
    "outlier": Kind(noise="outlier"),
    "drift 0.5": Kind(drift_mrad=0.5),
    "wander 0.1": Kind(wander_mrad=0.1),
    "play 1/8": Kind(play=0.125),
    "all play 1/16": Kind(all_play=0.0625),
    "hand x1.3": Kind(hand=1.3),
    "hand x0.7": Kind(hand=0.7),
    "doubles": Kind(doubles=3),
    "presses on": Kind(presses_on=0.1),
    "other screw": Kind(other_screw=0.1),
    "one shift way": Kind(slips_once="way"),
    "one shift none": Kind(slips_once="none"),
    "elsewhere": Kind(elsewhere_mm=200),
    "twice": Kind(twice=True),
    "hung one": Kind(hung_one=1.5),
    "bow rack": Kind(bow_mm=0.2, rack_mm=0.2),
    "end stop 0.2": Kind(end_stop=0.2),
    "end told 0.2": Kind(end_stop=0.2, end_told=True),
    "false blanks": Kind(false_blanks=2),
    "sigma /3": Kind(claims=1 / 3),
    "sigma x5": Kind(claims=5.0),
    "no hanging": Kind(no_hanging=True),
    "stale": Kind(stale=True),
    "bumped 1.5": Kind(bumped_mrad=1.5),
    "knocked": Kind(knocked=True),
    "off edge": Kind(off_edge=True, tilt_mrad=3.0),
    "eye": Kind(eye=True, no_hanging=True, reading_sd=0.2),
    "sign slip": Kind(miswritten=0.07),
    "u mirrored": Kind(mirrored_u=True),
}


# Where the screws 'top', 'side' and 'corner' are, (r, t) mm.
PLACES = {
    "": [(-18, 18), (18, -18), (-18, -18)],
    "mirrored": [(18, 18), (-18, -18), (18, -18)],
    "turned": [(-18, -18), (18, 18), (18, -18)],
    "opposite": [(18, -18), (-18, 18), (18, 18)],
    "renamed": [(-18, -18), (-18, 18), (18, -18)],
    "exchanged": [(18, -18), (-18, 18), (-18, -18)],
}


def profile(kind: Kind) -> dict[str, Any]:
    """The profile of the laser as the person measured it, for the document."""
    contacts = [("top", (-18.0, 18.0)), ("side", (18.0, -18.0)), ("corner", (-18.0, -18.0))]
    mounts: list[dict[str, Any]] = []
    for mirror in (1, 2, 3):
        contact: list[dict[str, Any]] = []
        for name, at in contacts:
            contact.append({"name": name, "at_mm": list(at), "screw_pitch_mm": 0.7, "clockwise": 1})
        mounts.append({"mirror": mirror, "contact": contact})
        if kind.end_told:
            mounts[-1] |= {"turns_from": -kind.end_stop, "turns_to": kind.end_stop}
    machine = {
        "name": "other machine",
        "bed": {"width_mm": kind.width, "depth_mm": kind.depth},
        "path": {
            "corner": kind.corner,
            "tube_to_mirror_1_mm": 150.0,
            "mirror_1_to_2_mm": [kind.near_12, kind.near_12 + kind.depth],
            "mirror_2_to_3_mm": [kind.near_23, kind.near_23 + kind.width],
            "mirror_3_to_lens_mm": 60.0,
            "lens_focal_mm": 63.5,
            "lens_to_nozzle_tip_mm": 55.0,
        },
        "beam": {"wavelength_um": 10.6, "diameter_mm": 7.0, "divergence_mrad": 2.2},
        "aperture": {
            "mirror_1_mm": 25.0,
            "mirror_2_mm": 25.0,
            "mirror_3_mm": 25.0,
            "lens_mm": 18.0,
            "nozzle_mm": 4.0,
        },
        "tolerance": {"overlap_mm": 1.0, "centre_mm": 1.5, "lens_mm": 2.0, "nozzle_mm": 0.4},
        "tube": {"exit_mount_mm": 200.0, "far_mount_mm": 1200.0},
        "mount": mounts,
    }
    return machine


@dataclass
class Screw:
    """One contact point: where it truly is and how it truly works."""

    at: tuple[float, float]
    travel: float  # mm along +n for one turn clockwise
    play: float = 0.0
    along: float = 0.0  # mm along +n
    net: float = 0.0
    lag: float = 0.0  # where in its play the thread stands, −play/2 … play/2

    def turn(self, turns: float, end: float) -> None:
        """Turn the screw; it stops at its ends."""
        goal = self.net + turns
        goal = max(-end, min(end, goal)) if end else goal
        turns, self.net = goal - self.net, goal
        lag = max(-self.play / 2, min(self.play / 2, self.lag + turns))
        self.along += self.travel * (turns - (lag - self.lag))
        self.lag = lag


@dataclass
class Laser:
    """The true machine, as vectors in the machine frame."""

    kind: Kind
    rng: random.Random
    tube: dict[str, list[float]] = field(default_factory=dict)
    mounts: list[list[Screw]] = field(default_factory=list)
    base: list[list[float]] = field(default_factory=list)
    lens: tuple[float, float] = (0.0, 0.0)
    pulses: int = 0
    wander: list[float] = field(default_factory=lambda: [0.0, 0.0])

    def __post_init__(self) -> None:
        kind, rng = self.kind, self.rng
        flat = lambda half: rng.uniform(-half, half)  # noqa: E731
        self.tube = {
            "exit": [flat(kind.tube_mm), flat(kind.tube_mm)],
            "far": [flat(kind.tube_mm), flat(kind.tube_mm)],
        }
        self.base = [
            [flat(1), flat(1), flat(1)],
            [flat(1), flat(1), flat(1)],
            [flat(0.3), flat(0.3), flat(0.3)],
        ]
        self.lens = (rng.gauss(0, 0.2), rng.gauss(0, 0.2))
        odd = rng.choice((1, 2, 2, 3))
        for mirror in (1, 2, 3):
            places_here = PLACES[kind.places if mirror == odd else ""]
            tilt, lean, along = flat(kind.tilt_mrad) / 1000, flat(kind.tilt_mrad) / 1000, flat(0.3)
            screws = []
            for r, t in places_here:
                arm = kind.arms * rng.uniform(0.95, 1.05)
                at = (r * arm, t * arm)
                start = along + tilt * at[0] + lean * at[1]
                screws.append(
                    Screw(at, 0.7 * kind.pitch * rng.uniform(0.97, 1.03), kind.all_play or 0.02, start)
                )
            self.mounts.append(screws)
        if kind.reversed_mount:
            for screw in self.mounts[odd - 1]:
                screw.travel *= -1
        one = self.mounts[odd - 1][rng.randrange(3)]
        if kind.reversed_one:
            one.travel *= -1
        if kind.dead:
            one.travel = 0.0
        if kind.play:
            one.play = kind.play
        self.bows = [flat(1), flat(1), flat(1), flat(1)]
        self.racks = rng.choice((-1, 1))
        if kind.off_edge:
            what = rng.randrange(3)
            angle, size = rng.uniform(0, 2 * math.pi), rng.uniform(11, 19)
            if what == 0:
                for end in self.tube.values():
                    end[0] += size * math.cos(angle)
                    end[1] += size * math.sin(angle)
            else:  # mirror 1 or 2 leans so that the far mark is near the edge of the next or off it
                lever = (kind.near_12 + kind.depth) if what == 1 else (kind.near_23 + kind.width)
                tilt = rng.uniform(11, 25) / 2 / lever
                for screw in self.mounts[what - 1]:
                    screw.along += tilt * (screw.at[0] * math.cos(angle) + screw.at[1] * math.sin(angle))
        self.heat = (flat(1), flat(1))

    @property
    def way(self) -> float:
        """+1 where the beam leaves the tube towards +X (mirror 1 at the back right)."""
        return -1.0 if self.kind.corner == "back-left" else 1.0

    def tick(self) -> None:
        """Count a pulse and let the tube's direction wander for its time."""
        self.pulses += 1
        step = self.kind.wander_mrad / 1000
        self.wander = [0.9 * w + step * math.sqrt(1 - 0.81) * self.rng.gauss(0, 1) for w in self.wander]

    def bump(self, station: str) -> None:
        """Tilt the mount on which a card is being hung, by up to ``bumped_mrad``."""
        half = self.kind.bumped_mrad / 1000
        tilt, lean = self.rng.uniform(-half, half), self.rng.uniform(-half, half)
        for screw in self.mounts[min(int(station[-1]) if station[-1].isdigit() else 3, 3) - 1]:
            screw.along += tilt * screw.at[0] + lean * screw.at[1]

    def knock(self) -> None:
        """Move everything a little, as a week or a knock does."""
        for screws in self.mounts:
            tilt, lean = self.rng.uniform(-0.0015, 0.0015), self.rng.uniform(-0.0015, 0.0015)
            for screw in screws:
                screw.along += tilt * screw.at[0] + lean * screw.at[1]
        for end in self.tube.values():
            end[0] += self.rng.uniform(-0.7, 0.7)
            end[1] += self.rng.uniform(-0.7, 0.7)

    def trace(self, head: tuple[float, float]) -> dict[str, tuple[float, float] | None]:
        """Where the beam meets each card and the lens (u, v from its centre); None where it never gets."""
        kind, way = self.kind, self.way
        x, y = head
        left = -kind.near_23 if way < 0 else kind.width + kind.near_23
        s, q = 2 * y / kind.depth - 1, 2 * x / kind.width - 1
        rack = self.racks * kind.rack_mm / kind.width * s
        bend, rise = (kind.bow_mm * b * (1 - s * s) for b in self.bows[:2])
        sway, lift = (kind.bow_mm * b * (1 - q * q) for b in self.bows[2:])
        centre_1: Vec = (left, kind.depth + kind.near_12, 0.0)
        centre_2: Vec = (left + bend, y, rise)
        centre_3 = add(centre_2, about_z((x - left, sway, lift), rack))
        exit_x = centre_1[0] - way * 150.0
        points = []
        for name, far in (("exit", 200.0), ("far", 1200.0)):
            offset = self.tube[name]
            points.append((exit_x - way * far, centre_1[1] + offset[0], offset[1]))
        ray = unit(add(points[0], points[1], -1.0))
        heat = kind.drift_mrad / 1000 * min(self.pulses / 40, 1.5)
        turn_y, turn_z = (self.wander[i] + heat * self.heat[i] for i in (0, 1))
        ray = unit((ray[0], ray[1] + turn_y, ray[2] + turn_z))
        at = points[0]
        ways: list[Vec] = [(way, 0, 0), (0, -1, 0), (-way, 0, 0), (0, 0, -1)]
        marks: dict[str, tuple[float, float] | None] = {}
        alive = True
        for i, centre in enumerate((centre_1, centre_2, centre_3)):
            turned = rack if i else 0.0
            d_in, d_out = about_z(ways[i], turned if i > 1 else 0.0), about_z(ways[i + 1], turned)
            if i == 1:  # the whole gantry is turned, and mirror 2 with it
                d_out = about_z(ways[2], turned)
                d_in_mount = about_z(ways[1], turned)
            else:
                d_in_mount = d_in
            n = unit(add(d_out, d_in_mount, -1.0))
            t = unit(add((0.0, 0.0, 1.0), n, -n[2]))
            r = cross(n, t)
            body = add(centre, about_z((self.base[i][0], self.base[i][1], self.base[i][2]), turned))
            meet = add(at, ray, dot(add(body, at, -1.0), d_in_mount) / dot(ray, d_in_mount))
            off = add(meet, body, -1.0)
            v: Vec = (0.0, 0.0, 1.0)
            mark = (dot(off, cross(d_in_mount, v)), dot(off, v))
            marks[f"mirror-{i + 1}"] = mark if alive else None
            alive = alive and math.hypot(*mark) < 12.5
            corners = [add(add(add(body, r, p.at[0]), t, p.at[1]), n, p.along) for p in self.mounts[i]]
            normal = unit(cross(add(corners[1], corners[0], -1.0), add(corners[2], corners[0], -1.0)))
            at = add(at, ray, dot(add(corners[0], at, -1.0), normal) / dot(ray, normal))
            ray = add(ray, normal, -2 * dot(ray, normal))
        axis = centre_3  # lens and nozzle hang on the head, not on mirror 3's mount
        side_u, side_v = about_z((1.0, 0.0, 0.0), rack), about_z((0.0, 1.0, 0.0), rack)
        meet = add(at, ray, (axis[2] - 60.0 - at[2]) / ray[2])
        off = add(meet, axis, -1.0)
        h = (dot(off, side_u) - self.lens[0], dot(off, side_v) - self.lens[1])
        marks["lens"] = h if alive else None
        slope = (dot(ray, side_u) / -ray[2], dot(ray, side_v) / -ray[2])
        alive = alive and math.hypot(*h) < 9.0
        bent = [s - o / 63.5 for s, o in zip(slope, h, strict=True)]
        tip = (h[0] + self.lens[0] + 55.0 * bent[0], h[1] + self.lens[1] + 55.0 * bent[1])
        marks["nozzle"] = tip if alive and math.hypot(*tip) < 2.4 else None
        return marks

    def worst(self) -> dict[str, float]:
        """Each of the verdict's numbers in units of its tolerance, over a grid of the bed, without wander."""
        kept, self.wander = self.wander, [0.0, 0.0]
        w, d = self.kind.width, self.kind.depth
        grid = [self.trace((w * i / 4, d * j / 4)) for i in range(5) for j in range(5)]
        five = [self.trace(p) for p in ((0, 0), (w, 0), (0, d), (w, d), (w / 2, d / 2))]
        self.wander = kept
        far = (99.0, 99.0)  # of a part that the beam does not reach
        out = {"nozzle": max(math.hypot(*(g["nozzle"] or far)) for g in grid) / 0.4}
        out["lens"] = max(math.hypot(*(g["lens"] or far)) for g in grid) / 2.0
        for name in ("mirror-1", "mirror-2", "mirror-3"):
            some = [g[name] or far for g in five]
            out[f"centre {name}"] = math.hypot(*(sum(mark[i] for mark in some) / 5 for i in (0, 1))) / 1.5
        for name in ("mirror-2", "mirror-3"):
            marks = [g[name] or far for g in grid]
            out[f"overlap {name}"] = max(math.dist(a, b) for a in marks for b in marks) / 1.0
        return out


@dataclass
class Person:
    """Carries out steps with this kind's errors, and notes the events."""

    laser: Laser
    rng: random.Random
    events: list[dict[str, Any]] = field(default_factory=list)
    hanging: int = 0
    card_at: str = ""
    hung: tuple[float, float] = (0.0, 0.0)
    turns: int = 0
    shifts: int = 0
    blanks_left: int = 0
    holders: dict[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        kind, rng = self.laser.kind, self.rng
        self.blanks_left = kind.false_blanks
        self.blank_from = rng.randrange(2, 9)
        self.event_from = rng.randrange(6, 13)
        self.slip_at = random.Random(self.rng.random()).choice((1, 1, 2, 2, 3))
        if kind.hung_one:
            angle = rng.uniform(0, 2 * math.pi)
            place = rng.choice(("mirror-1", "mirror-2", "mirror-3"))
            self.holders[place] = (kind.hung_one * math.cos(angle), kind.hung_one * math.sin(angle))

    def do(self, step: dict[str, Any]) -> None:
        """Do one step and note it."""
        match step["do"]:
            case "mark":
                self.mark(step)
            case "turn":
                self.turn(step)
            case "shift":
                self.shift(step)
            case "inspect":
                self.events.append({"kind": "inspected", "cause": step["cause"], "outcome": "nothing-found"})

    def turn(self, step: dict[str, Any]) -> None:
        """Turn a screw."""
        kind, rng = self.laser.kind, self.rng
        mount, screw, turns = step["mount"], step["screw"], step["turns"]
        self.events.append({"kind": "turn", "mount": mount, "screw": screw, "turns": turns})
        if rng.random() < kind.presses_on:
            return
        if rng.random() < kind.other_screw:
            screw = rng.choice([s for s in ("top", "side", "corner") if s != screw])
        self.turns += 1
        done = turns * kind.hand * rng.gauss(1, kind.hand_share) + rng.uniform(-1, 1) / 64
        if kind.doubles and self.turns % kind.doubles == 0:
            done *= 2
        k = ("top", "side", "corner").index(screw)
        self.laser.mounts[mount - 1][k].turn(done, kind.end_stop)

    def shift(self, step: dict[str, Any]) -> None:
        """Move the tube or a mount."""
        kind, rng = self.laser.kind, self.rng
        part, asked = step["part"], step["move_mm"]
        self.events.append({"kind": "shift", "part": part, "move_mm": asked})
        if rng.random() < kind.presses_on:
            return
        self.shifts += 1
        due = self.shifts == self.slip_at
        if due and kind.slips_once == "none":
            return
        if due and kind.slips_once == "way":
            asked = [-v for v in asked]
        if part.startswith("mirror"):
            base = self.laser.base[int(part[-1]) - 1]
            for i in range(3):
                if asked[i]:
                    base[i] += asked[i] * rng.gauss(1, kind.hand_share) + rng.gauss(0, 0.1)
            return
        for end in ("exit", "far") if part == "tube" else (part.removeprefix("tube-"),):
            for i in (0, 1):
                if asked[i + 1]:
                    done = asked[i + 1] * rng.gauss(1, kind.hand_share) + rng.gauss(0, 0.1)
                    self.laser.tube[end][i] += done

    def mark(self, step: dict[str, Any]) -> None:
        """Hang a card where asked, make a pulse, read the mark."""
        kind, rng, laser = self.laser.kind, self.rng, self.laser
        station, head = step["station"], tuple(step["head_mm"])
        if kind.elsewhere_mm:
            room = kind.elsewhere_mm
            head = (
                min(max(head[0] + rng.uniform(-room, room), 0.0), kind.width),
                min(max(head[1] + rng.uniform(-room, room), 0.0), kind.depth),
            )
        due = laser.pulses >= self.event_from
        if kind.knocked and due:
            laser.knock()
            self.event_from = 10**6
        if station != self.card_at or step.get("hang") == "anew":
            if kind.bumped_mrad and due:
                laser.bump(station)
                self.event_from = 10**6
            self.card_at = station
            self.hanging += 1
            sd = kind.hang_sd * (0.5 if station == "nozzle" else 1.0)
            self.hung = (rng.gauss(0, sd), rng.gauss(0, sd))
        laser.tick()
        common: dict[str, Any] = {"station": station, "head_mm": list(head)}
        if not kind.no_hanging:
            common["hanging"] = self.hanging
        mark = laser.trace(head)[station]
        blank = self.blanks_left > 0 and laser.pulses >= self.blank_from
        self.blanks_left -= blank
        if mark is None or max(abs(mark[0]), abs(mark[1])) > 20 or blank:
            self.events.append({"kind": "no-mark"} | common)
            return
        holder = self.holders.get(station, (0.0, 0.0))
        sd = kind.reading_sd
        offset = [mark[i] + holder[i] + self.hung[i] + self.error(sd) for i in (0, 1)]
        if kind.noise == "outlier" and rng.random() < 1 / 15:
            angle = rng.uniform(0, 2 * math.pi)
            offset = [offset[0] + 2 * math.cos(angle), offset[1] + 2 * math.sin(angle)]
        if rng.random() < kind.miswritten or kind.mirrored_u:
            offset[0] *= -1
        if kind.eye:
            offset = [round(2 * o) / 2 for o in offset]
        event = {"kind": "mark"} | common | {"offset_mm": [round(o, 3) for o in offset]}
        if not kind.eye:
            event["sigma_mm"] = round(kind.claims * math.hypot(sd, kind.hang_sd), 4)
        self.events.append(event)
        if kind.twice:
            self.events.append(event)

    def error(self, sd: float) -> float:
        """One reading's error."""
        if self.laser.kind.noise == "heavy":  # Student's t with 2 degrees of freedom
            return sd * self.rng.gauss(0, 1) / math.sqrt(self.rng.expovariate(1.0))
        return self.rng.gauss(0, sd)


@dataclass(frozen=True)
class Outcome:
    """The result of one machine. end: 'solved', 'off', 'stop', 'loop' or 'raised'; worst: its worst number in
    units of its tolerance, without the lens's, which no mark shows here."""

    end: str
    worst: float
    pulses: int
    moves: int
    inspected: bool
    reason: str


def play(kind: Kind, seed: int) -> Outcome:
    """Align one machine to its end; returns the result."""
    laser = Laser(kind, random.Random(seed * 7919 + 13))
    person = Person(laser, random.Random(seed * 104729 + 5))
    if kind.stale:
        _follow(person, 20)
        laser.knock()
        person.card_at = ""
    before = len(person.events)
    end, reason = _follow(person, MOST_STEPS)
    name, worst = max((item for item in laser.worst().items() if item[0] != "lens"), key=lambda item: item[1])
    if end == "done":
        end = "solved" if worst <= 1 else "off"
    kinds = [event["kind"] for event in person.events[before:]]
    moves = sum(kind in ("turn", "shift") for kind in kinds)
    pulses = sum(kind in ("mark", "no-mark") for kind in kinds) // (2 if kind.twice else 1)
    return Outcome(end, worst, pulses, moves, "inspected" in kinds, reason or f"{name} {worst:.2f}")


def _follow(person: Person, most: int) -> tuple[str, str]:
    """Ask for steps and carry them out until the end; returns how it ended and the reason of a stop."""
    document = {"machine": profile(person.laser.kind), "events": person.events}
    for _ in range(most):
        try:
            step = answer(json.loads(json.dumps(document)))
        except (ArithmeticError, LookupError, TypeError, ValueError) as error:  # that it raises is a finding
            return "raised", f"{type(error).__name__}: {error}"
        if step["do"] in ("done", "stop"):
            return step["do"], step.get("reason", "")
        person.do(step)
        if person.laser.pulses >= MOST_PULSES:
            break
    return "loop", ""


def _row(name: str, runs: list[Outcome]) -> str:
    ends = collections.Counter(run.end for run in runs)
    half = sum(run.end == "off" and run.worst > 1.5 for run in runs)
    return (
        f"{name:16s}{len(runs):4d}{ends['solved']:8d}{ends['off']:5d} ({half}){ends['stop']:6d}"
        f"{ends['loop']:6d}{ends['raised']:8d}{sum(run.inspected for run in runs):9d}"
        f"{statistics.median(run.pulses for run in runs):8g}{statistics.median(run.moves for run in runs):7g}"
    )


def drawn_pair(seed: int) -> tuple[str, Kind]:
    """Two different kinds in one, and its name; all but reading by eye and cards seen from behind."""
    names = [name for name in KINDS if name not in ("plain", "eye", "u mirrored")]
    one, other = random.Random(seed).sample(names, 2)
    changes = {key: value for key, value in vars(KINDS[other]).items() if value != getattr(Kind(), key)}
    return f"{one} + {other}", replace(KINDS[one], **changes)


def main() -> None:
    """Play all kinds, or pairs of them, and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--machines", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(KINDS), help="names, with commas between")
    parser.add_argument("--each", action="store_true")
    parser.add_argument("--pairs", type=int, default=0)
    asked = parser.parse_args()
    print("kind               n  solved  off      stop  loop  raised  inspect  pulses  moves", flush=True)
    rows: dict[str, list[tuple[int, str, Kind]]] = {
        name: [(n, "", KINDS[name]) for n in range(asked.first, asked.first + asked.machines)]
        for name in asked.kinds.split(",")
    }
    if asked.pairs:
        numbers = range(asked.first, asked.first + asked.pairs)
        rows = {"pairs": [(n, *drawn_pair(n)) for n in numbers]}
    for name, machines in rows.items():
        runs = [(number, also, play(kind, number)) for number, also, kind in machines]
        print(_row(name, [run for _, _, run in runs]), flush=True)
        for number, also, run in runs:
            if asked.each and (run.end != "solved" or run.inspected):
                print(f"  {number} {also}: {run.end}, {run.pulses} pulses, {run.reason}", flush=True)


if __name__ == "__main__":
    main()
