"""The blurred union of lumens: Clark's mean of a maximum against Monte Carlo and numerical blurring."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from qca.tube.union import blurred_union

DRAWS = np.random.default_rng(11).normal(size=(400_000, 2))


def monte_carlo(values, gradients, sigma):
    """Mean of the largest of planes seen through a Gaussian, and how often each is the largest."""
    planes = values[:, None] + sigma * gradients @ DRAWS.T
    return planes.max(0).mean(), np.bincount(planes.argmax(0), minlength=len(values)) / planes.shape[1]


level = st.floats(1.0, 12.0)
slope = st.floats(-2.5, 2.5)
plane = st.tuples(level, slope, slope)


@examples(max_examples=30)
@given(plane, plane, st.floats(0.5, 2.0))
def test_two_lumens_against_monte_carlo(one, other, sigma):
    """Clark CE, Operations Research 1961;9:145-162: exact for two normal variables."""
    both = np.array([one, other])
    values, gradients = both[:, :1], both[:, None, 1:]
    union, share = blurred_union(values, gradients, sigma)
    mean, often = monte_carlo(values[:, 0], gradients[:, 0], sigma)
    spread = sigma * np.linalg.norm(both[0, 1:] - both[1, 1:])
    assert union[0] == pytest.approx(mean, abs=0.03 + 0.01 * spread)
    if spread > 0.05:  # with equal slopes the draws decide by rounding
        np.testing.assert_allclose(share[:, 0], often, atol=0.01)


@examples(max_examples=30)
@given(plane, plane, plane, st.floats(0.5, 2.0))
def test_three_lumens_against_monte_carlo(one, two, three, sigma):
    """Three at a time Clark's step is repeated, which is not exact any more."""
    planes = np.array([one, two, three])
    union, share = blurred_union(planes[:, :1], planes[:, None, 1:], sigma)
    mean, _ = monte_carlo(planes[:, 0], planes[:, 1:], sigma)
    assert union[0] == pytest.approx(mean, abs=0.12 * sigma * np.ptp(planes[:, 1:], axis=0).max() + 0.03)
    assert share[:, 0].sum() == pytest.approx(1.0)
    assert (share >= 0).all()
    assert union[0] >= planes[:, 0].max() - 1e-9  # a mean of maxima is not under the largest mean


@examples(max_examples=50)
@given(plane, plane, st.floats(0.5, 2.0))
def test_share_is_the_derivative(one, other, sigma):
    both = np.array([one, other])
    gradients = both[:, None, 1:]
    _, share = blurred_union(both[:, :1], gradients, sigma)
    for i in (0, 1):
        step = np.zeros((2, 1))
        step[i] = 1e-5
        up, down = (blurred_union(both[:, :1] + sign * step, gradients, sigma)[0] for sign in (1, -1))
        spread = sigma * np.linalg.norm(both[0, 1:] - both[1, 1:])
        if spread > 0.01:
            assert (up - down)[0] / 2e-5 == pytest.approx(share[i, 0], abs=1e-4)


def test_where_one_lumen_is_absent_the_other_stands_alone():
    values = np.array([[0.0, 3.0, 0.0], [2.0, 0.0, 0.0]])
    union, share = blurred_union(values, np.ones((2, 3, 2)), 1.0)
    assert union == pytest.approx([2.0, 3.0, 0.0])
    assert share[:, 0] == pytest.approx([0.0, 1.0])
    assert share[:, 1] == pytest.approx([1.0, 0.0])


def test_two_crossing_cylinders_against_a_blurred_picture():
    """The picture of the longer chord, blurred by scipy.ndimage.gaussian_filter on a fine grid."""
    fine, sigma, r = 8, 1.2, (5.0, 4.0)
    grid = (np.arange(60 * fine) + 0.5) / fine - 30.0
    row, column = np.meshgrid(grid, grid, indexing="ij")
    across = (row, row * np.cos(np.radians(55)) - column * np.sin(np.radians(55)))
    chords = [2 * np.sqrt(np.maximum(rr**2 - x**2, 0)) for rr, x in zip(r, across, strict=True)]
    blurred = [gaussian_filter(c, sigma * fine, mode="nearest") for c in chords]
    truth = gaussian_filter(np.maximum(*chords), sigma * fine, mode="nearest")
    inner = (slice(12 * fine, 48 * fine, 5), slice(12 * fine, 48 * fine, 5))
    values = np.array([b[inner].ravel() for b in blurred])
    gradients = np.array([np.stack(np.gradient(b, 1 / fine), -1)[inner].reshape(-1, 2) for b in blurred])
    union, _ = blurred_union(values, gradients, sigma)
    error = union - truth[inner].ravel()
    plain = values.max(0) - truth[inner].ravel()
    assert np.abs(error).max() < 0.06 * 2 * r[0]
    assert np.sqrt(np.mean(error**2)) < 0.4 * np.sqrt(np.mean(plain**2))  # better than ignoring the blur
