"""What a smooth curve makes of abrupt flanks, told and taken off."""

import numpy as np
import pytest
from scipy.interpolate import make_lsq_spline

from qca.lumen.ringing import ringing, steep_flanks

POSITION = np.arange(0.0, 100.0, 0.5)
SD = np.full(len(POSITION), 0.1)
INNER = np.arange(2.5, 97.0, 2.5)
KNOTS = np.r_[[0.0] * 4, INNER, [99.5] * 4]


def nearest(profile):
    """The cubic spline nearest to a profile, knots 2.5 px apart, as SciPy finds it."""
    return make_lsq_spline(POSITION, profile, KNOTS)(POSITION)


RESPONSE = np.column_stack([nearest(one) for one in np.eye(len(POSITION))])


def swings(seen):
    return ringing(POSITION, seen, steep_flanks(POSITION, seen, SD), RESPONSE)


def narrowing(flank_px, depth=6.0, begins=40.0, ends=62.0):
    """A lumen of 10 px with a narrowing whose flanks are so long."""
    down = np.clip((POSITION - begins) / max(flank_px, 1e-9) + 0.5, 0, 1)
    up = np.clip((POSITION - ends) / max(flank_px, 1e-9) + 0.5, 0, 1)
    return 10.0 - depth * (down - up)


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.7])
def test_the_floor_of_a_step_is_found(shift):
    seen = nearest(narrowing(0.0, begins=40.0 + shift, ends=62.0 + shift))
    assert seen.min() < 4 - 0.4  # a twelfth of the step and more
    assert (seen - swings(seen)).min() == pytest.approx(4, abs=0.15)


def test_the_top_of_a_step_is_found():
    seen = nearest(narrowing(0.0))
    assert seen.max() > 10.4
    assert (seen - swings(seen)).max() == pytest.approx(10, abs=0.15)


def test_gentle_flanks_stay_as_they_are():
    for flank in (8.0, 11.0, 16.0):
        assert not swings(nearest(narrowing(flank))).any()
    bell = 10 - 5 * np.exp(-0.5 * ((POSITION - 50) / 5) ** 2)
    assert not swings(nearest(bell)).any()


def test_what_noise_does_is_no_flank():
    noisy = 10 + np.random.default_rng(5).normal(0, 0.1, len(POSITION))
    assert steep_flanks(POSITION, nearest(noisy), SD) == []
    assert not swings(nearest(noisy)).any()


def test_a_real_dip_at_the_foot_of_a_step_is_not_filled():
    """A minimum that is four times as deep as a swing, and as narrow, stays by more than a half."""
    true = narrowing(0.0) - 2.0 * np.exp(-0.5 * ((POSITION - 43) / 1.5) ** 2)
    seen = nearest(true)
    assert (seen - swings(seen)).min() < 4 - 1.0
