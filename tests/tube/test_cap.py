"""The rounded start of a limb."""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.tube.cap import Behind, cap_of

CURVE = SimpleNamespace(tangent=np.array([[0.6, 0.8]]), normal=np.array([[0.8, -0.6]]))
"""A straight limb that starts at the origin."""


def near(pixels):
    """Pixels (N, 2) about the limb, relative to its first sample."""
    pixels = np.asarray(pixels, dtype=float)
    along = pixels @ CURVE.tangent[0]
    return Behind.of([SimpleNamespace(behind=np.minimum(along, 0.0), x=pixels @ CURVE.normal[0])], [CURVE])


PIXELS = np.random.default_rng(4).uniform(-9, 9, (200, 2))
HERE = near(PIXELS)
BACK = PIXELS[HERE.which]


def test_behind_the_start_the_distance_to_it_counts():
    cap = cap_of(HERE, np.zeros(2))
    assert (BACK @ CURVE.tangent[0] < 0).all()
    assert len(HERE.which) == np.count_nonzero(PIXELS @ CURVE.tangent[0] < 0)
    assert cap.away == pytest.approx(np.linalg.norm(BACK, axis=1))
    np.testing.assert_allclose(cap.outward * cap.away[:, None], BACK, atol=1e-12)


def test_a_branching_point_that_moves_forwards_or_sideways_takes_the_cap_along():
    meeting = 2.0 * CURVE.tangent[0] + 1.5 * CURVE.normal[0]
    cap = cap_of(HERE, meeting)
    assert cap.away == pytest.approx(np.linalg.norm(BACK - meeting, axis=1))


def test_one_that_moves_backwards_draws_the_limb_on():
    cap = cap_of(HERE, -3.0 * CURVE.tangent[0])
    along, aside = BACK @ CURVE.tangent[0], BACK @ CURVE.normal[0]
    drawn = along > -3.0
    assert cap.away[drawn] == pytest.approx(np.abs(aside[drawn]))
    assert cap.away[~drawn] == pytest.approx(np.hypot(aside, along + 3.0)[~drawn])


@pytest.mark.parametrize("axis", [0, 1])
def test_outward_is_the_derivative_of_the_distance(axis):
    step = np.eye(2)[axis] * 1e-6
    meeting = np.array([0.4, -0.7])
    slope = (cap_of(HERE, meeting + step).away - cap_of(HERE, meeting - step).away) / 2e-6
    kink = np.abs(HERE.back - meeting @ CURVE.tangent[0]) < 1e-5
    np.testing.assert_allclose(slope[~kink], -cap_of(HERE, meeting).outward[~kink, axis], atol=1e-6)
