"""Noise that neighbours share, as light spreads it in a scintillator after the quanta were counted.

Drawn here: straight tubes whose chords follow from Pythagoras, one ray through the middle of each pixel.
"""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.frames.frame import Frame
from qca.picks import Picks
from qca.pipeline import measure

pytestmark = pytest.mark.accuracy

MEETING, SIZE = np.array([150.0, 160.0]), 320
LIMBS = {"proximal": (185.0, 7.0), "distal": (15.0, 5.5), "side": (-50.0, 4.5)}
"""Direction in degrees, 0 along +x and 90 up, and radius, px."""
SPREAD_PX, PHOTONS = 1.0, 400


def direction(name):
    angle = np.radians(LIMBS[name][0])
    return np.array([np.cos(angle), -np.sin(angle)])


def chord(name):
    """Path of each pixel's ray through one limb, rounded at its start, px."""
    x, y = np.meshgrid(np.arange(SIZE) - MEETING[0], np.arange(SIZE) - MEETING[1])
    along = np.maximum(x * direction(name)[0] + y * direction(name)[1], 0.0)
    away = np.hypot(x - along * direction(name)[0], y - along * direction(name)[1])
    return 2 * np.sqrt(np.maximum(LIMBS[name][1] ** 2 - away**2, 0.0))


def frame(seed):
    through = PHOTONS * gaussian_filter(np.exp(-0.025 * np.maximum.reduce([chord(name) for name in LIMBS])), 0.8)
    pixels = 20 * gaussian_filter(np.random.default_rng(seed).poisson(through).astype(np.float64), SPREAD_PX)
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "tubes", "0" * 64)


PICKS = Picks(**{name: tuple((MEETING + 120 * direction(name)).tolist()) for name in LIMBS}, mm_per_px=0.2)


@pytest.fixture(scope="module")
def readings():
    return [measure(frame(seed), PICKS) for seed in range(10)]


def limbs(readings):
    return [(name, limb) for reading in readings for name, limb in reading.limbs.items()]


def test_healthy_limbs_have_no_lesions(readings):
    """Taken for a pixel's own, such noise leaves dents in every wall."""
    assert np.mean([limb.ds_percent for _, limb in limbs(readings)]) < 4.0


def test_stated_errors_are_true(readings):
    for of, sd in (("mld_px", "mld_sd_px"), ("reference_px", "reference_sd_px")):
        z = [(getattr(limb, of) - 2 * LIMBS[name][1]) / getattr(limb, sd) for name, limb in limbs(readings)]
        assert np.mean(np.abs(z) < 1.96) >= 0.85, of


def test_noise_is_no_neighbour(readings):
    assert not [flag for reading in readings for flag in reading.flags if flag.code in {"overlap", "misfit"}]
