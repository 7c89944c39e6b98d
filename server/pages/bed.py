"""The whole bed, from the marks: fitted offset and power at mirror 3, as found and now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server import solver
from server.log import Json
from server.pages.words import head_words
from server.solver import parse_profile
from server.solver.machine.power import beam_diameter, passed_fraction
from server.solver.steps import Pair

__all__ = ["SURE", "BedMap", "Spot", "bed_maps", "opening"]

Array = NDArray[np.float64]
STATION = "mirror-3"  # it moves over the whole bed, and what misses it never reaches the lens
GRID = 33
CORNERS = ((0, 1), (0, 0), (0.5, 0.5), (1, 1), (1, 0))
SURE = 2.0  # standard uncertainties to either side that cover about 95 % (JCGM 100:2008, G.3)


@dataclass(frozen=True)
class Spot:
    """One place of the bed: head and offset in mm, the offset's standard uncertainty, power 0–1, a name.

    power_low : what passes if the beam lies SURE uncertainties farther out.
    """

    head_mm: tuple[float, float]
    offset_mm: tuple[float, float]
    sigma_mm: float
    power: float
    power_low: float
    name: str

    @property
    def length_mm(self) -> float:
        """How far from the centre."""
        return math.hypot(*self.offset_mm)


@dataclass(frozen=True)
class BedMap:
    """Fitted maps, (GRID, GRID) by (y, x): the offset's length and sigma in mm, power 0–1; named spots.

    power_low : the power if the beam lies SURE uncertainties farther out. step : the answer behind it.
    """

    x_mm: Array
    y_mm: Array
    offset_mm: Array
    sigma_mm: Array
    power: Array
    power_low: Array
    spots: tuple[Spot, ...]
    marks: tuple[Spot, ...]
    step: solver.Step

    @property
    def worst(self) -> Spot:
        """The named place with the largest offset."""
        return max(self.spots, key=lambda spot: spot.length_mm)

    @property
    def rivals(self) -> tuple[Spot, ...]:
        """The other named places that may be the worst: within SURE uncertainties of both."""
        worst = self.worst

        def close(spot: Spot) -> bool:
            return worst.length_mm - spot.length_mm < SURE * math.hypot(worst.sigma_mm, spot.sigma_mm)

        return tuple(spot for spot in self.spots if spot is not worst and close(spot))


def bed_maps(document: Json) -> tuple[BedMap | None, BedMap | None]:
    """Return the bed as it was found and as it is now; None where mirror 3 had no mark yet."""
    start, now = _map(opening(document)), _map(document)
    return start, now


def opening(document: Json) -> Json:
    """Return the document as it stood before the first move that followed a mark at mirror 3."""
    seen, kept = False, []
    for event in document["events"]:
        if seen and event["kind"] in ("turn", "shift"):
            break
        seen = seen or _at_mirror_3(event)
        kept.append(event)
    return {"machine": document["machine"], "events": kept}


def _at_mirror_3(event: Json) -> bool:
    return bool(event["kind"] == "mark" and event["station"] == STATION)


def _map(document: Json) -> BedMap | None:
    if not any(_at_mirror_3(event) for event in document["events"]):
        return None
    step = solver.next_step(solver.parse_alignment(document))
    fitted = {name: pair for name, pair in step.estimate.five_point.items() if pair is not None}
    if not fitted:
        return None
    machine = document["machine"]
    width, depth = float(machine["bed"]["width_mm"]), float(machine["bed"]["depth_mm"])
    x_mm, y_mm = np.linspace(0, width, GRID), np.linspace(0, depth, GRID)
    offset, sigma = _fitted(fitted, *np.meshgrid(x_mm - width / 2, y_mm - depth / 2))
    length = np.hypot(*offset)
    heads = np.meshgrid(x_mm, y_mm)
    power = _power(machine, length, *heads)
    power_low = _power(machine, length + SURE * sigma, *heads)
    spots = tuple(_spot(machine, fitted, (x * width, y * depth)) for x, y in CORNERS)
    return BedMap(x_mm, y_mm, length, sigma, power, power_low, spots, _marks(document), step)


def _fitted(fitted: dict[str, Pair], x_mm: Any, y_mm: Any) -> tuple[Array, Array]:
    """Return the offset (2, …) at places relative to the bed's centre, and the larger of its two sigmas."""
    x_m, y_m = np.asarray(x_mm) * 1e-3, np.asarray(y_mm) * 1e-3
    terms = {"mean": np.ones_like(x_m), "per_m_y": y_m, "per_m_x": x_m, "per_m2_xy": x_m * y_m}

    offset = [sum(fitted[name][axis].value * term for name, term in terms.items()) for axis in (0, 1)]
    var = [sum((fitted[name][axis].sigma * term) ** 2 for name, term in terms.items()) for axis in (0, 1)]
    return np.stack(offset), np.sqrt(np.stack(var).max(axis=0))


def _power(machine: Json, length_mm: Array, x_mm: Any, y_mm: Any) -> Array:
    """Return the fraction of a Gaussian beam that passes the narrower of mirror 3 and the lens."""
    profile = solver.parse_profile(machine)
    path, aperture = machine["path"], machine["aperture"]
    across = x_mm if path["corner"] == "back-left" else machine["bed"]["width_mm"] - x_mm
    along = machine["bed"]["depth_mm"] - y_mm
    distance_mm = path["mirror_1_to_2_mm"][0] + along + path["mirror_2_to_3_mm"][0] + across
    narrow_mm = min(aperture["mirror_3_mm"], aperture["lens_mm"])
    return np.asarray(passed_fraction(length_mm, narrow_mm, beam_diameter(profile, distance_mm)))


def _spot(machine: Json, fitted: dict[str, Pair], head_mm: tuple[float, float]) -> Spot:
    bed = machine["bed"]
    offset, sigma = _fitted(fitted, head_mm[0] - bed["width_mm"] / 2, head_mm[1] - bed["depth_mm"] / 2)
    lengths = np.hypot(*offset) + SURE * float(sigma) * np.array([0.0, 1.0])
    power, low = _power(machine, lengths, np.full(2, head_mm[0]), np.full(2, head_mm[1]))
    point = (float(offset[0]), float(offset[1]))
    name = head_words(head_mm, parse_profile(machine).bed)
    return Spot(head_mm, point, float(sigma), float(power), float(low), name)


def _marks(document: Json) -> tuple[Spot, ...]:
    """Return the marks at mirror 3 since the last move, as measured."""
    marks: list[Spot] = []
    for event in document["events"]:
        if event["kind"] in ("turn", "shift"):
            marks.clear()
        elif _at_mirror_3(event):
            sigma = event["sigma_mm"]
            largest = float(max(sigma) if isinstance(sigma, list) else sigma)
            head, offset = event["head_mm"], event["offset_mm"]
            at = (head[0], head[1])
            marks.append(Spot(at, (offset[0], offset[1]), largest, math.nan, math.nan, "measured"))
    return tuple(marks)
