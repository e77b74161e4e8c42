"""Abrupt lesions: narrowings of a few pixels' length in wide lumens, and drilled ones with ends as sharp as steps.

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


def drilled(radius, throat, length, quanta, tilt, seed):
    """A lumen with a cylindrical narrowing, px, by 4 x 4 rays per pixel; its frame and picks."""
    rays, size = 4, 200
    at = (np.arange(size * rays) + 0.5) / rays - 0.5
    x, y = np.meshgrid(at - 100.0, at - 100.3)
    along = np.array([np.cos(tilt), np.sin(tilt)])
    ahead, aside = x * along[0] + y * along[1], y * along[0] - x * along[1]
    chord = 2 * np.sqrt(np.maximum(np.where(np.abs(ahead) < length / 2, throat, radius) ** 2 - aside**2, 0))
    through = gaussian_filter(np.exp(-0.02 * chord), 1.15 * rays, mode="nearest")
    through = through.reshape(size, rays, size, rays).mean((1, 3))
    pixels = np.random.default_rng(seed).poisson(quanta * through).astype(np.float64)
    start, end = ((np.array([100.0, 100.3]) + side * 80 * along).tolist() for side in (-1, 1))
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "drilled", "0" * 64), Picks(
        start=start, end=end, mm_per_px=0.2
    )


@pytest.mark.parametrize(
    ("radius", "throat", "length", "quanta", "limit_mm"),
    [(7.0, 2.5, 20.0, 2e4, 0.1), (10.0, 3.5, 30.0, 2e4, 0.2), (7.0, 4.0, 16.0, 2e4, 0.1), (10.0, 3.5, 30.0, 900, 0.16)],
)
def test_the_minimum_of_a_drilled_narrowing_is_its_diameter(radius, throat, length, quanta, limit_mm):
    """It was that of the swing beside a step: 0.16 to 0.28 mm too small, with many quanta never in its interval."""
    limbs = [
        measure(*drilled(radius, throat, length, quanta, tilt, seed)).limbs["segment"]
        for seed, tilt in enumerate((0.12, 0.12, 0.58, 0.58))
    ]
    error = 0.2 * np.array([limb.mld_px - 2 * throat for limb in limbs])
    sd = 0.2 * np.array([limb.mld_sd_px for limb in limbs])
    assert abs(error.mean()) < limit_mm
    assert np.mean(np.abs(error) < 1.96 * sd) >= 0.75
