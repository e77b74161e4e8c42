"""Uniform cubic B-splines against scipy.interpolate.BSpline."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from qca.tube.spline import Spline

lengths = st.floats(4.0, 200.0)
spacings = st.floats(1.0, 30.0)


def reference(spline, coefficients):
    knots = spline.spacing * (np.arange(spline.count + 4) - 3)
    return BSpline(knots, coefficients, 3)


@examples(max_examples=60)
@given(lengths, spacings, st.integers(0, 2**32 - 1))
def test_values_and_second_derivatives(length, spacing, seed):
    spline = Spline.over(length, spacing)
    coefficients = np.random.default_rng(seed).normal(size=spline.count)
    s = np.linspace(0.0, length, 101)
    oracle = reference(spline, coefficients)
    np.testing.assert_allclose(spline.matrix(s) @ coefficients, oracle(s), atol=1e-9)
    inner = s[1:-1]
    cell, weights = spline.second(inner)
    second = (coefficients[cell[:, None] + np.arange(4)] * weights).sum(1)
    np.testing.assert_allclose(second, oracle.derivative(2)(inner), atol=1e-8 / spline.spacing**2 + 1e-9)


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
