"""Uniform cubic B-splines against scipy.interpolate.BSpline, blurred ones against scipy.ndimage too."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.interpolate import BSpline
from scipy.ndimage import gaussian_filter1d

from qca.tube.spline import Spline, blurred_weights

lengths = st.floats(4.0, 200.0)
spacings = st.floats(1.0, 30.0)


def reference(spline, coefficients):
    knots = spline.spacing * (np.arange(spline.count + 4) - 3)
    return BSpline(knots, coefficients, 3)


@examples(max_examples=60)
@given(lengths, spacings, st.integers(0, 2**32 - 1))
def test_values(length, spacing, seed):
    spline = Spline.over(length, spacing)
    coefficients = np.random.default_rng(seed).normal(size=spline.count)
    s = np.linspace(0.0, length, 101)
    oracle = reference(spline, coefficients)
    np.testing.assert_allclose(spline.matrix(s) @ coefficients, oracle(s), atol=1e-9)


@given(lengths, spacings)
def test_layout(length, spacing):
    spline = Spline.over(length, spacing)
    cells = spline.count - 3
    assert cells >= 2
    assert cells * spline.spacing == pytest.approx(length)
    assert cells == 2 or abs(cells - length / spacing) <= 0.5 + 1e-9


@given(lengths, spacings)
def test_weights_sum_to_one_and_outside_carries_on_the_end_cell(length, spacing):
    spline = Spline.over(length, spacing)
    s = np.array([-0.3 * spline.spacing, 0.0, length / 3, length, length + 0.3 * spline.spacing])
    matrix = spline.matrix(s)
    np.testing.assert_allclose(matrix.sum(1), 1.0, atol=1e-9)
    # a straight line is in the space, and beyond the ends it goes on straight
    greville = spline.spacing * (np.arange(spline.count) - 1)
    np.testing.assert_allclose(matrix @ greville, s, atol=1e-8 * length)


@pytest.mark.parametrize("smooth", [0.0, 0.5, 1e4])
def test_a_straight_line_is_fitted_whatever_the_smoothing(smooth):
    spline = Spline.over(80.0, 8.0)
    s = np.arange(0.0, 80.5, 0.5)
    fitted = spline.matrix(s) @ spline.fit(s, 3.0 - 0.02 * s, smooth)
    np.testing.assert_allclose(fitted, 3.0 - 0.02 * s, atol=1e-5)


def test_fit_without_smoothing_is_the_least_squares_of_scipy():
    from scipy.interpolate import make_lsq_spline

    spline = Spline.over(60.0, 6.0)
    s = np.arange(0.0, 60.25, 0.25)
    values = np.sin(s / 7) + 0.1 * np.random.default_rng(2).normal(size=len(s))
    knots = np.concatenate([[0.0] * 3, spline.spacing * np.arange(spline.count - 2), [60.0] * 3])
    np.testing.assert_allclose(
        spline.matrix(s) @ spline.fit(s, values, 0.0), make_lsq_spline(s, values, knots)(s), atol=1e-6
    )


def seen_through_a_blur(coefficients, spacing, blur_px, step=0.05):
    """Values at whole pixels, from scipy's spline and its Gaussian filter on a fine grid; and ours."""
    spline = Spline.over(spacing * (len(coefficients) - 3), spacing)
    fine = np.arange(0.0, spline.length + step / 2, step)
    blurred = gaussian_filter1d(reference(spline, coefficients)(fine), blur_px / step, mode="nearest", truncate=6.0)
    at = fine[:: round(1 / step)]
    cell, weights = spline.basis(at)
    ours = blurred_weights(weights, np.full(len(at), blur_px / spline.spacing))
    return blurred[:: round(1 / step)], (coefficients[cell[:, None] + np.arange(4)] * ours).sum(1)


@pytest.mark.parametrize("waves_per_knot", [0.05, 0.1, 0.2, 0.3, 0.4, 0.5])
def test_a_wave_comes_through_the_blur_as_a_gaussian_lets_it(waves_per_knot):
    """Knots 1.8 blur SDs apart, as in the fit. With ``1 - (k sigma)^2 / 2`` the shortest waves came out upside down."""
    spacing, blur = 3.0, 3.0 / 1.8
    wave = np.cos(2 * np.pi * waves_per_knot * np.arange(63))
    expected, ours = (side[40:-40] for side in seen_through_a_blur(wave, spacing, blur))
    assert ours == pytest.approx(expected, abs=0.12)
    strength = float(ours @ expected) / float(expected @ expected)
    assert strength == pytest.approx(1.0, abs=0.2)


def test_a_parabola_is_widened_by_the_variance_of_the_blur_and_a_line_stays():
    knots = 3.0 * (np.arange(43) - 1)
    for coefficients in (0.5 + 0.01 * knots, 0.002 * (knots - 60.0) ** 2):
        expected, ours = (side[25:-25] for side in seen_through_a_blur(coefficients, 3.0, 2.0))
        np.testing.assert_allclose(ours, expected, atol=2e-4)
