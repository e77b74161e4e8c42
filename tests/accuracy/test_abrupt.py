"""Abrupt lesions: narrowings of a few pixels' length in wide lumens.

Drawn here: one vessel of circular sections along a straight axis, one ray through the middle of each pixel.
"""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.frames.frame import Frame
from qca.picks import Picks
from qca.pipeline import measure

pytestmark = pytest.mark.accuracy

SIZE, RADIUS, THROAT = 260, 11.0, 4.0


def frame(flank_px, seed):
    """A lumen whose radius falls from 11 to 4 px as a cosine does within ``flank_px`` and rises as fast, 600 quanta per
    pixel."""
    x, y = np.meshgrid(np.arange(SIZE) - 130.0, np.arange(SIZE) - 130.3)
    radius = RADIUS - (RADIUS - THROAT) * 0.5 * (1 + np.cos(np.pi * np.clip(x / flank_px, -1, 1)))
    through = 600 * gaussian_filter(np.exp(-0.02 * 2 * np.sqrt(np.maximum(radius**2 - y**2, 0))), 0.8)
    pixels = np.random.default_rng(seed).poisson(through).astype(np.float64)
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "tube", "0" * 64)


@pytest.mark.parametrize("flank_px", [5.0, 6.0, 8.0, 11.0])
def test_the_throat_is_not_filled(flank_px):
    picks = Picks(start=(20.0, 130.3), end=(240.0, 130.3), mm_per_px=0.2)
    limbs = [measure(frame(flank_px, seed), picks).limbs["segment"] for seed in range(6)]
    error = np.array([limb.mld_px - 2 * THROAT for limb in limbs])
    sd = np.array([limb.mld_sd_px for limb in limbs])
    # the means of six: SD 0.2 px; with flanks drawn out they were 1.7 px wrong at the shortest
    assert abs(error.mean()) < 0.4
    assert np.mean(np.abs(error) < 1.96 * sd) >= 0.8
