"""The fit's centre and widths against ISO 11146 moments by `laserbeamsize`, on real beams (data/README.md).

Ours is the centre of the smooth oval that fits best, theirs the first moment. On a clean beam these are the
same; a beam with structure pulls its moment towards it, and the two differ by a few per cent of the diameter.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.fit import fit_crop, fit_spot

lbs = pytest.importorskip("laserbeamsize")
DATA = Path(__file__).parent / "data"


def both(name):
    """Centre and widths (long, short) in px by the library and by our fit, on the same crop."""
    beam = cv2.imread(str(DATA / f"beam-{name}.png"), cv2.IMREAD_UNCHANGED).astype(float)
    x, y, long_px, short_px, _ = lbs.beam_size(beam, iso_noise=False)
    by = 4
    small = cv2.resize(beam[: len(beam) // by * by, : len(beam) // by * by], None, fx=1 / by, fy=1 / by,
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    start = fit_crop(small)
    row, col = (axis.ravel() for axis in np.indices(small.shape, dtype=float))
    centre = (float(start.centre[0]), float(start.centre[1]))
    spot = fit_spot(col, row, small.ravel(), centre=centre, radius=1.0, start=start, oval=True)
    ours = (spot.centre + 0.5) * by - 0.5
    return (np.array([x, y]), np.array([long_px, short_px])), (ours, by * np.array(spot.widths()[:2]))


@pytest.mark.parametrize(
    ("name", "centre_share", "width_share"),
    [("t-580mm", 0.006, 0.02), ("t-210mm", 0.025, 0.06), ("k-500mm", 0.035, 0.08)],
)
def test_outside_a_real_beam_has_the_centre_and_widths_of_its_moments(name, centre_share, width_share):
    (centre, widths), (our_centre, our_widths) = both(name)
    diameter = float(np.sqrt(widths.prod()))
    assert np.hypot(*(our_centre - centre)) < centre_share * diameter
    assert our_widths / widths == pytest.approx((1.0, 1.0), abs=width_share)
