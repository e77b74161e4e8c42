"""The blurred union of lumens: a quadrature over the blur against Monte Carlo and numerical blurring."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from qca.tube.chord import blurred_opacity
from qca.tube.union import Place, blurred_union

DRAWS = np.random.default_rng(11).normal(size=(200_000, 2))


def joined(lumens, sigma, bend=0.0):
    """Union, shares and single opacities at one pixel of lumens (distance, radius, direction in degrees)."""
    values, places = [], []
    for x, r, direction in lumens:
        at, radius = np.array([float(x)]), np.array([float(r)])
        outward = np.array([[np.cos(np.radians(direction)), np.sin(np.radians(direction))]])
        values.append(blurred_opacity(at, radius, sigma, bend).value)
        places.append(Place(np.array([0]), at, radius, outward))
    union, share = blurred_union(np.array(values), places, sigma, bend)
    return float(union[0]), share[:, 0], np.array(values)[:, 0]


def monte_carlo(lumens, sigma, bend=0.0):
    """Mean opacity of the longest chord at points drawn from the blur."""
    longest = np.zeros(len(DRAWS))
    for x, r, direction in lumens:
        turn = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
        away = x + sigma * DRAWS @ turn
        longest = np.maximum(longest, 2 * np.sqrt(np.maximum(r * r - away * away, 0)))
    return float((longest if bend == 0 else -np.expm1(-bend * longest) / bend).mean())


lumen = st.tuples(st.floats(-8, 8), st.floats(1.5, 10), st.floats(0, 180))


@examples(max_examples=60)
@given(st.lists(lumen, min_size=2, max_size=3), st.floats(0.6, 2.0), st.sampled_from([0.0, 0.02]))
def test_lumens_against_monte_carlo(lumens, sigma, bend):
    union, share, values = joined(lumens, sigma, bend)
    widest = 2 * max(r for _, r, _ in lumens)
    assert union == pytest.approx(monte_carlo(lumens, sigma, bend), abs=0.045 * widest)
    assert union == pytest.approx(float(share @ values), abs=1e-9)
    assert (share >= 0).all()
    assert (share <= 1 + 1e-12).all()
    assert union <= values.sum() + 1e-9  # a union holds no more than its parts


def test_share_is_the_derivative_by_a_lumen_that_fills_better():
    """Blurred max(c1 (1 + t), c2) by t, from the Monte Carlo draws, over the blurred c1."""
    lumens, sigma = [(1.0, 6.0, 10.0), (2.0, 5.0, 70.0)], 1.3
    _, share, values = joined(lumens, sigma)
    chords = []
    for x, r, direction in lumens:
        turn = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
        chords.append(2 * np.sqrt(np.maximum(r * r - (x + sigma * DRAWS @ turn) ** 2, 0)))
    for i in (0, 1):
        wins = chords[i] > chords[1 - i]
        assert share[i] == pytest.approx((chords[i] * wins).mean() / values[i], abs=0.06)


def test_where_one_lumen_is_absent_the_other_stands_alone():
    straight = np.array([[1.0, 0.0]])
    values = np.array([[0.0, 3.0, 0.0], [2.0, 0.0, 0.0]])
    places = [Place(np.array([k]), np.zeros(1), np.full(1, 2.0), straight) for k in (1, 0)]
    union, share = blurred_union(values, places, 1.0, 0.0)
    assert union == pytest.approx([2.0, 3.0, 0.0])
    assert share[:, 0] == pytest.approx([0.0, 1.0])
    assert share[:, 1] == pytest.approx([1.0, 0.0])


@pytest.mark.parametrize(("angle", "radii", "sigma"), [(30, (6, 5), 1.4), (55, (5, 4), 1.2), (75, (8, 8), 1.0)])
def test_two_crossing_cylinders_against_a_blurred_picture(angle, radii, sigma):
    """The picture of the longer chord, blurred by scipy.ndimage.gaussian_filter on a fine grid."""
    fine = 8
    grid = (np.arange(60 * fine) + 0.5) / fine - 30.0
    row, column = np.meshgrid(grid, grid, indexing="ij")
    directions = [np.array([1.0, 0.0]), np.array([np.cos(np.radians(angle)), -np.sin(np.radians(angle))])]
    across = [row * d[0] + column * d[1] for d in directions]
    chords = [2 * np.sqrt(np.maximum(r**2 - x**2, 0)) for r, x in zip(radii, across, strict=True)]
    truth = gaussian_filter(np.maximum(*chords), sigma * fine, mode="nearest")
    inner = (slice(12 * fine, 48 * fine, 5), slice(12 * fine, 48 * fine, 5))
    truth = truth[inner].ravel()
    places = [
        Place(np.arange(len(truth)), x[inner].ravel(), np.full(len(truth), float(r)), np.tile(d, (len(truth), 1)))
        for r, x, d in zip(radii, across, directions, strict=True)
    ]
    values = np.array([blurred_opacity(p.x, p.radius, sigma, 0.0).value for p in places])
    union, _ = blurred_union(values, places, sigma, 0.0)
    error = union - truth
    plain = values.max(0) - truth
    assert np.abs(error).max() < 0.045 * 2 * max(radii)
    assert np.sqrt(np.mean(error**2)) < 0.3 * np.sqrt(np.mean(plain**2))  # better than ignoring the blur
