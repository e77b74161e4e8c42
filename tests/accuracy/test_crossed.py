"""Daughters that leave the plane of the image to different sides: where they cross, their chords add up.

Drawn here: straight tubes whose chords follow from Pythagoras, one ray through the middle of each pixel.
"""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.frames.frame import Frame
from qca.picks import Picks
from qca.pipeline import measure

pytestmark = pytest.mark.accuracy

MEETING, SIZE = np.array([190.0, 200.0]), 400
LIMBS = {"proximal": (180.0, 9.0), "distal": (20.0, 7.5), "side": (-30.0, 6.5)}
"""Direction in degrees, 0 along +x and 90 up, and radius, px."""


def direction(name):
    angle = np.radians(LIMBS[name][0])
    return np.array([np.cos(angle), -np.sin(angle)])


def chord(name):
    """Path of each pixel's ray through one limb, rounded at its start, px."""
    x, y = np.meshgrid(np.arange(SIZE) - MEETING[0], np.arange(SIZE) - MEETING[1])
    along = np.maximum(x * direction(name)[0] + y * direction(name)[1], 0.0)
    away = np.hypot(x - along * direction(name)[0], y - along * direction(name)[1])
    return 2 * np.sqrt(np.maximum(LIMBS[name][1] ** 2 - away**2, 0.0))


def frame(apart, seed):
    """One frame whose daughters part in the image's plane, or lie ``apart`` enough in depth to be crossed twice."""
    mother, first, second = (chord(name) for name in LIMBS)
    daughters = first + second if apart else np.maximum(first, second)
    through = 800 * gaussian_filter(np.exp(-0.03 * np.maximum(mother, daughters)), 1.2)
    pixels = np.random.default_rng(seed).poisson(through).astype(np.float64)
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "tubes", "0" * 64)


PICKS = Picks(**{name: tuple((MEETING + 150 * direction(name)).tolist()) for name in LIMBS}, mm_per_px=0.2)


@pytest.mark.parametrize("apart", [False, True], ids=["one plane", "apart in depth"])
def test_angles_where_daughters_cross(apart):
    found = [measure(frame(apart, seed), PICKS).angles for seed in range(4)]
    for name, true in (("A", 150.0), ("B", 50.0), ("C", 160.0)):
        error = np.array([getattr(angles, name) for angles in found]) - true
        sd = np.array([getattr(angles, f"sd_{name}") for angles in found])
        assert np.abs(error.mean()) < 2.0, (name, error)
        assert (np.abs(error) < 3 * sd).all(), (name, error)
