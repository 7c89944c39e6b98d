"""Cases with known truth for `vision_hand.py`: sheets and rendered photos of them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "vision"))
import handheld
from handheld import Burn, Sheet, Shot

Picture = np.ndarray


@dataclass(frozen=True, eq=False)
class Case:
    """Pictures before, once more with nothing new, and after; the new burn and the old ones."""

    before: Picture
    again: Picture | None
    after: Picture | None
    new: Burn
    old: tuple[Burn, ...]


def by_hand(grade: str, count: int, seed: int, *, toned: bool = False) -> Iterator[Case]:
    """Hand-held pairs: none to three old burns, the new one clear of them. `toned`: each photo has a tone
    curve, sharpening and dark corners of its own.
    """
    rng = np.random.default_rng(seed)

    def shot() -> Shot:
        one = handheld.any_shot(grade, rng)
        return handheld.toned(one, rng) if toned else one

    for _ in range(count):
        sheet = handheld.any_sheet(grade, rng, burns=int(rng.integers(1, 5)))
        older = replace(sheet, burns=sheet.burns[:-1])
        before, again = (handheld.take(older, shot(), rng) for _ in range(2))
        after = handheld.take(sheet, shot(), rng)
        yield Case(before, again, after, sheet.burns[-1], older.burns)


def on_top(
    count: int, seed: int, *, farthest_mm: float = 1.0, old: int = 1, steady: bool = True
) -> Iterator[Case]:
    """A burn on one or more old ones of the same beam; the camera on a stand, or (not `steady`) hand-held."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        sheet = handheld.any_sheet("workshop", rng)
        beam = handheld.any_burn(rng)
        burns = [beam, *(again_near(beam, farthest_mm, rng) for _ in range(old))]
        older, sheet = replace(sheet, burns=tuple(burns[:-1])), replace(sheet, burns=tuple(burns))
        shot = handheld.any_shot("workshop", rng)
        again, after = (
            (stand(shot, rng) if steady else handheld.any_shot("workshop", rng)) for _ in range(2)
        )
        pictures = [
            handheld.take(hung, taken, rng) for hung, taken in ((older, shot), (older, again), (sheet, after))
        ]
        yield Case(*pictures, burns[-1], older.burns)


def again_near(beam: Burn, farthest_mm: float, rng: np.random.Generator) -> Burn:
    """Another pulse of the same tube: nearly as large and strong, its edge ragged in its own way."""
    away, way = farthest_mm * rng.uniform(0, 1), rng.uniform(0, 2 * np.pi)
    return replace(
        beam,
        centre=(beam.centre[0] + float(away * np.cos(way)), beam.centre[1] + float(away * np.sin(way))),
        diameter=beam.diameter * float(rng.uniform(0.92, 1.08)),
        dose=beam.dose * float(rng.uniform(0.8, 1.25)),
        seed=int(rng.integers(1 << 30)),
    )


def stand(shot: Shot, rng: np.random.Generator) -> Shot:
    """The next picture of a camera on a stand: a touch elsewhere, the exposure a little changed."""
    view = shot.view
    near = replace(
        view,
        roll_deg=view.roll_deg + float(rng.normal(0, 0.1)),
        shift_mm=tuple(float(s + rng.normal(0, 0.2)) for s in view.shift_mm),
    )
    return replace(shot, view=near, level=shot.level * float(rng.uniform(0.97, 1.03)))


def fresh(count: int, seed: int) -> Iterator[Case]:
    """One burn on fresh tape, the camera on its stand."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        sheet = handheld.any_sheet("workshop", rng, burns=1)
        bare, shot = replace(sheet, burns=()), handheld.any_shot("workshop", rng)
        before, again = handheld.take(bare, shot, rng), handheld.take(bare, stand(shot, rng), rng)
        yield Case(before, again, handheld.take(sheet, stand(shot, rng), rng), sheet.burns[0], ())


def single(
    count: int,
    seed: int,
    *,
    jpeg: int | None = None,
    grade: str = "workshop",
    pair: bool = False,
    **changes: object,
) -> Iterator[Case]:
    """One photo of a card with one burn of a kind, and one of the same card without it; `pair`: two such."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        sheet = handheld.any_sheet("workshop", rng, burns=1)
        if grade == "easy":
            sheet = replace(sheet, wrinkles=1, smudges=1, pen_lines=0)
        burn = replace(sheet.burns[0], **changes)
        burn = replace(burn, turn_deg=float(rng.uniform(0, 180)), halo_deg=float(rng.uniform(0, 360)))
        shot = handheld.any_shot("workshop", rng)
        shot = replace(shot, shadow=0.0, jpeg=jpeg or shot.jpeg)
        blank = handheld.take(replace(sheet, burns=()), shot, rng)
        after = handheld.take(replace(sheet, burns=(burn,)), shot, rng)
        again = handheld.take(replace(sheet, burns=()), shot, rng) if pair else None
        yield Case(blank, again, after, burn, ())


def beside_lamp(count: int, seed: int) -> Iterator[Case]:
    """One photo of a clear burn that lies in a lamp's image or at its edge."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        burn = replace(handheld.any_burn(rng), dose=float(rng.uniform(2, 4)))
        sheet = replace(handheld.any_sheet("workshop", rng), burns=(burn,))
        way, wide = rng.uniform(0, 2 * np.pi), float(rng.uniform(4, 12))
        away = rng.uniform(0, wide)
        at = (burn.centre[0] + float(away * np.cos(way)), burn.centre[1] + float(away * np.sin(way)))
        shot = replace(handheld.any_shot("workshop", rng), shadow=0.0)
        shot = replace(shot, glare=float(rng.uniform(20, 80)), glare_mm=wide, glare_at=at)
        blank = handheld.take(replace(sheet, burns=()), shot, rng)
        yield Case(blank, None, handheld.take(sheet, shot, rng), burn, ())


def hard_card(kind: str, count: int, seed: int) -> Iterator[Case]:
    """One clear burn on a card that is bent, blurred, smeared, printed pale or streaked."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        burn = replace(handheld.any_burn(rng), dose=3.0, ragged=0.01)
        sheet = Sheet(tape="masking", burns=(burn,), seed=int(rng.integers(1 << 30)))
        shot = replace(handheld.any_shot("workshop", rng), shadow=0.0, glare=0.0)
        view = replace(shot.view, distance_mm=float(rng.uniform(240, 300)))
        shot = replace(shot, view=view)
        if kind.startswith("bent"):
            bend = float(rng.uniform(0, 180))
            sheet = replace(sheet, bend_radius_mm=float(kind.split()[1]), bend_deg=bend)
        elif kind == "blurred 6 px":
            shot = replace(shot, defocus_px=6.0)
        elif kind == "smeared 8 px":
            shot = replace(shot, motion_px=8.0)
        elif kind == "streaked print":
            sheet = replace(sheet, streaks=float(rng.uniform(0.4, 1)))
        else:
            sheet = replace(sheet, pale=float(rng.uniform(0.55, 0.85)))
        yield Case(np.zeros(0), None, handheld.take(sheet, shot, rng), burn, ())
