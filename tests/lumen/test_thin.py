"""Diameters near zero: what is left of a normal belief below zero, and what a thin lumen shows.

Checked against numerical integration by scipy, and against a simulation of the areas that a fit would see.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from qca.lumen.thin import believed


@pytest.mark.parametrize(("diameter", "sd"), [(0.13, 0.23), (2.0, 0.7), (0.0, 0.5), (-0.4, 0.3), (9.0, 0.3)])
def test_moments_are_those_that_scipy_integrates(diameter, sd):
    def moment(power):
        return quad(lambda d: d ** (power + 1) * norm.pdf(d, diameter, sd), 0, max(diameter, 0) + 12 * sd)[0]

    mean = moment(1) / moment(0)
    spread = np.sqrt(moment(2) / moment(0) - mean**2)
    found = believed(np.array([diameter]), np.array([sd]))
    assert found.mean[0] == pytest.approx(mean, rel=1e-6)
    assert sd * found.narrowed[0] == pytest.approx(spread, rel=1e-5)


def test_a_diameter_many_sds_from_zero_is_what_was_fitted():
    found = believed(np.array([12.0]), np.array([0.2]))
    assert found.mean[0] == pytest.approx(12.0 + 0.2**2 / 12.0, abs=1e-5)
    assert found.narrowed[0] == pytest.approx(1.0, abs=1e-3)


def test_what_is_known_stays_what_it_is():
    found = believed(np.array([12.0, 12.0, 0.7]), np.array([0.0, 1e-9, 1e-3]))
    assert found.mean == pytest.approx([12.0, 12.0, 0.7], abs=1e-4)
    assert found.narrowed == pytest.approx(1.0, abs=1e-4)


def test_no_diameter_is_below_zero_and_a_larger_one_stays_larger():
    found = believed(np.linspace(-8.0, 8.0, 321), np.ones(321))
    assert np.all(found.mean > 0)
    assert np.all(np.diff(found.mean[80:]) > 0)
    assert np.all((found.narrowed > 0) & (found.narrowed <= 1))


def test_of_lumens_of_every_area_those_read_alike_are_on_the_average_what_is_believed():
    """Bayes' rule held to its word: areas drawn evenly, diameters read with an error, means of the truth by reading."""
    rng = np.random.default_rng(20261130)
    truth = np.sqrt(rng.uniform(0.0, 16.0, 400_000))
    read = truth + 0.5 * rng.standard_normal(len(truth))
    for at in (0.2, 0.6, 1.0, 2.0):
        alike = np.abs(read - at) < 0.05
        mean = truth[alike].mean()
        found = believed(np.array([at]), np.array([0.5]))
        assert found.mean[0] == pytest.approx(mean, abs=0.02)
        assert 0.5 * found.narrowed[0] == pytest.approx(truth[alike].std(), abs=0.02)
