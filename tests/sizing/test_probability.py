"""Probabilities against scipy.stats, numerical convolution and sampling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from calib.units import Mm
from qca.sizing.probability import normal_cdf, probability_below, probability_between
from qca.sizing.propagation import exact, larger, propagate


@pytest.mark.parametrize("z", [-8.0, -1.96, -0.3, 0.0, 1.0, 6.0])
def test_normal_distribution(z):
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)


@pytest.mark.parametrize(("value", "sd", "band", "threshold"), [
    (70.0, 2.0, 5.0, 70.0), (63.0, 2.0, 5.0, 70.0), (75.5, 1.0, 5.0, 70.0), (60.0, 4.0, 5.0, 70.0),
    (70.0, 0.01, 5.0, 72.0),
])  # fmt: skip
def test_normal_with_band_against_convolution(value, sd, band, threshold):
    expected = quad(lambda u: stats.norm.cdf((threshold - value - u) / sd) / (2 * band), -band, band, limit=200,
                    points=[max(-band, min(band, threshold - value))])[0]  # fmt: skip
    assert probability_below(value, sd, threshold, band=band) == pytest.approx(expected, abs=1e-8)


def test_closed_form_against_sampling():
    rng = np.random.default_rng(1)
    drawn = 68.0 + 2.0 * rng.standard_normal(1_000_000) + rng.uniform(-5, 5, 1_000_000)
    assert probability_below(68.0, 2.0, 70.0, band=5.0) == pytest.approx(np.mean(drawn < 70.0), abs=0.002)
    assert probability_below(68.0, 2.0, 70.0) == pytest.approx(
        np.mean(68 + 2 * rng.standard_normal(10**6) < 70), abs=0.002
    )


@pytest.mark.parametrize(("or_equal", "expected"), [(True, 1.0), (False, 0.0)])
def test_exact_numbers_at_the_threshold(or_equal, expected):
    assert probability_below(50.0, 0.0, 50.0, or_equal=or_equal) == expected
    assert probability_below(0.1 + 0.2, 0.0, 0.3, or_equal=or_equal) == expected  # the same number written two ways
    assert probability_below(49.9, 0.0, 50.0, or_equal=or_equal) == 1.0
    assert probability_below(50.1, 0.0, 50.0, or_equal=or_equal) == 0.0


def test_band_alone():
    assert probability_below(70.0, 0.0, 70.0, band=5.0) == 0.5
    assert probability_below(64.0, 0.0, 70.0, band=5.0) == 1.0
    assert probability_below(76.0, 0.0, 70.0, band=5.0) == 0.0


@pytest.mark.parametrize("unknown", [(math.nan, 1.0), (1.0, math.nan)])
def test_unknown_stays_unknown(unknown):
    assert math.isnan(probability_below(*unknown, 2.0))
    assert math.isnan(probability_between(*unknown, 0.0, 2.0))


def test_between():
    assert probability_between(1.0, 0.5, 0.0, 2.0) == pytest.approx(stats.norm.cdf(2) - stats.norm.cdf(-2), rel=1e-12)
    assert probability_between(2.0, 0.0, 1.0, 2.0) == 1.0
    assert probability_between(2.1, 0.0, 1.0, 2.0) == 0.0


def test_propagation_keeps_the_common_scale_apart():
    a, b = Mm(3.0, 0.03, 0.06), Mm(2.0, 0.04, 0.04)
    difference = propagate(1.0, ((1.0, a), (-1.0, b)))
    assert difference.sd_random == pytest.approx(0.05)
    assert difference.sd_scale == pytest.approx(0.02)  # 2 % of the difference, not the root of two squares
    assert difference == a - b


def test_larger_passes_over_unknown_lengths():
    assert larger(exact(2.0), Mm(math.nan)) == exact(2.0)
    assert larger(Mm(math.nan), exact(1.0)) == exact(1.0)
    assert larger(exact(2.0), exact(3.0)) == exact(3.0)
