"""How far the belief in smoothness alone has moved a fit."""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.tube.fitted import JointFit

COUNT = 40
KNOT = np.arange(COUNT)
TRUTH = 5.0 - 2.0 * np.exp(-0.5 * ((KNOT - 20) / 2.5) ** 2)
SECOND = np.diff(np.eye(COUNT), 2, axis=0)


def smoothed(seen, sd, precision):
    """Posterior of radii seen one by one with this SD, under a precision of their second differences."""
    penalty = precision * SECOND.T @ SECOND
    covariance = np.linalg.inv(np.eye(COUNT) / sd**2 + penalty)
    fit = SimpleNamespace(
        theta=covariance @ seen / sd**2,
        covariance=covariance,
        layout=SimpleNamespace(r=(slice(0, COUNT),)),
        shared=SimpleNamespace(precisions=SimpleNamespace(r=(np.full(COUNT - 2, precision),))),
    )
    return fit.theta, JointFit.smoothed_by(fit, 0)


def test_it_is_what_the_smoother_does_to_its_own_result():
    """Twicing: smoothing the fit once more and taking the difference, without noise."""
    fitted, moved = smoothed(TRUTH, 0.3, 50.0)
    again, _ = smoothed(fitted, 0.3, 50.0)
    np.testing.assert_allclose(moved, again - fitted, atol=1e-12)


def test_the_bottom_of_a_short_lesion_was_lifted_by_about_that():
    fitted, moved = smoothed(TRUTH, 0.3, 50.0)
    lifted = fitted[20] - TRUTH[20]
    assert lifted > 0.15
    assert moved[20] == pytest.approx(lifted, rel=0.5)
    straight, still = smoothed(5.0 - 0.01 * KNOT, 0.3, 50.0)
    np.testing.assert_allclose(straight, 5.0 - 0.01 * KNOT)
    np.testing.assert_allclose(still, 0.0, atol=1e-12)
