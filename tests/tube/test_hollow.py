"""The blurred opacity of an empty tube against its definition by quadrature."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from qca.tube.chord import blurred_pair
from qca.tube.hollow import blurred_hollow

TUBES = [(5.0, 0.72, 1.0, 0.02), (5.0, 0.9, 1.2, 0.03), (3.0, 0.8, 0.7, 1e-6), (9.0, 0.85, 1.5, 0.01)]
"""Outer radius, ratio, blur, bending."""


def convolved(x, r, ratio, sigma, m):
    """The definition by adaptive quadrature (scipy.integrate.quad, QUADPACK)."""

    def lost(t):
        whole, hole = (2 * math.sqrt(max(q * q - t * t, 0.0)) for q in (r, ratio * r))
        seen = math.exp(-0.5 * ((x - t) / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
        return -math.expm1(-m * (whole - hole)) / m * seen

    walls = [-ratio * r, ratio * r]
    return quad(lost, -r, r, points=[*walls, min(max(x, -r), r)], epsabs=1e-9, limit=400)[0]


def value(x, r, ratio, sigma, m):
    return blurred_hollow(x, np.full_like(x, r), ratio, sigma, m)[0].value


@pytest.mark.parametrize(("r", "ratio", "sigma", "m"), TUBES)
def test_against_the_convolution_itself(r, ratio, sigma, m):
    x = np.array([0.0, 0.4, 0.9, 1.0, 1.1, 1.5]) * r
    expected = [convolved(v, r, ratio, sigma, m) for v in x]
    assert value(x, r, ratio, sigma, m) == pytest.approx(expected, abs=1e-3 * max(expected))


def test_without_bending_it_is_a_difference_of_cylinders():
    x = np.linspace(-8.0, 8.0, 33)
    outer, inner = blurred_pair(x, np.full_like(x, 5.0), 0.8, 1.0, 0.0)
    assert value(x, 5.0, 0.8, 1.0, 0.0) == pytest.approx(outer.value - inner.value, abs=1e-3)


@pytest.mark.parametrize(("r", "ratio", "sigma", "m"), TUBES)
def test_derivatives(r, ratio, sigma, m):
    """Central differences; the pair stands for outer less inner, as a difference of cylinders does."""
    x, h = np.linspace(-1.5 * r, 1.5 * r, 31), 1e-5
    outer, inner = blurred_hollow(x, np.full_like(x, r), ratio, sigma, m)
    at = np.array([x, r, ratio, sigma, m], dtype=object)
    told = (outer.d_x, outer.d_r - ratio * inner.d_r, -r * inner.d_r, outer.d_sigma, outer.d_m)
    for k, derivative in enumerate(told):
        step = np.array([h if k == i else 0.0 for i in range(5)], dtype=object)
        difference = (value(*(at + step)) - value(*(at - step))) / (2 * h)
        assert derivative == pytest.approx(difference, abs=2e-3 * max(np.abs(difference).max(), 1.0))
