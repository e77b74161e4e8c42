"""The blurred opacity of a cylinder against quadrature, closed forms and a table of edges."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.integrate import quad, trapezoid

from qca.tube.chord import REACH, blurred_opacity, exact_opacity

NO_BENDING = 1e-9
FIELDS = ("d_x", "d_r", "d_sigma", "d_m")


def opacity(x, r, sigma=1.0, m=NO_BENDING, nodes=64):
    x = np.atleast_1d(np.asarray(x, dtype=float))
    return exact_opacity(x, np.full_like(x, r), sigma, m, nodes=nodes)


def convolved(x, r, sigma, m):
    """The definition by adaptive quadrature (scipy.integrate.quad, QUADPACK), the wall's root substituted away."""

    def lost(angle):
        t = r * math.sin(angle)
        seen = math.exp(-0.5 * ((x - t) / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
        return -math.expm1(-2 * m * r * math.cos(angle)) / m * seen * r * math.cos(angle)

    near = [math.asin(v / r) for v in (x - sigma, x, x + sigma) if abs(v) < r]
    return quad(lost, -math.pi / 2, math.pi / 2, points=near or None, epsabs=1e-11, epsrel=1e-10, limit=200)[0]


@pytest.mark.parametrize("m", [1e-6, 0.02, 0.1, 0.3])
@pytest.mark.parametrize(("r", "sigma"), [(0.6, 1.0), (3.0, 1.0), (6.0, 0.7), (12.0, 1.5)])
def test_against_the_convolution_itself(r, sigma, m):
    for x in (0.0, 0.5 * r, r - 0.2, r, r + 0.7, r + 2 * sigma):
        assert opacity(x, r, sigma, m).value[0] == pytest.approx(convolved(x, r, sigma, m), abs=2e-6 * 2 * r)


def test_unblurred_chord():
    """Far from the wall, in blur widths, the opacity is the chord 2 sqrt(r^2 - x^2) and the loss through it."""
    x = np.array([0.0, 3.0, 6.0])
    chord = 2 * np.sqrt(100.0 - x**2)
    assert opacity(x, 10.0, 0.05, nodes=256).value == pytest.approx(chord, rel=2e-4)
    lost = -np.expm1(-0.1 * chord) / 0.1
    assert opacity(x, 10.0, 0.05, 0.1, nodes=256).value == pytest.approx(lost, rel=2e-4)


@pytest.mark.parametrize("r", [0.3, 1.0, 4.0, 12.0])
def test_area_is_that_of_the_circle(r):
    """A blur moves nothing in or out: the integral across is pi r^2."""
    x = np.arange(-r - 8, r + 8, 0.01)
    assert opacity(x, r).value.sum() * 0.01 == pytest.approx(math.pi * r * r, rel=1e-6)


# --- edges of a blurred cylinder -----------------------------------------------------------------------------------

EDGES = {  # diameter: first derivative, second derivative, half maximum, densitometric; all mm
    0.5: (0.432, 0.728, 0.484, 0.500),
    0.7: (0.576, 0.904, 0.604, 0.700),
    1.0: (0.844, 1.192, 0.828, 1.000),
    1.5: (1.316, 1.680, 1.236, 1.500),
    2.0: (1.804, 2.176, 1.660, 2.000),
    3.0: (2.792, 3.172, 2.532, 3.000),
    4.0: (3.788, 4.172, 3.408, 4.000),
    5.0: (4.784, 5.168, 4.284, 5.000),
}
TABLE_STEP_MM = 0.004
"""Rounding of the table: edges on a grid of 0.002 mm, counted twice."""


def edges(r, sigma, nodes=64):
    """Diameters that four edge criteria give, from the opacity without bending."""
    x = np.linspace(0.0, r + 5 * sigma, 8001)
    found = opacity(x, r, sigma, nodes=nodes)
    second = np.gradient(found.d_x, x)
    half = int(np.argmax(found.value < 0.5 * found.value[0]))
    outside = int(np.argmin(found.d_x))
    area = 2 * trapezoid(found.value, x)
    return (
        2 * x[outside],
        2 * x[outside + int(np.argmax(second[outside:]))],
        2 * x[half],
        math.sqrt(4 * area / math.pi),
    )


@pytest.mark.parametrize("diameter", EDGES)
def test_edge_table(diameter):
    """Cylinder seen through a Gaussian of SD 0.15 mm on a logarithmic scale: computed from the blurred chord on a grid,
    independently of this code."""
    found = edges(diameter / 2, 0.15)
    assert found == pytest.approx(EDGES[diameter], abs=TABLE_STEP_MM)


def test_edges_of_a_wide_vessel():
    """Square-root wall through a Gaussian: steepest 0.76495 sigma inside, most bent 0.55086 sigma outside, computed
    from the blurred chord; half maximum at D cos 30 degrees (circle geometry)."""
    r = 200.0
    x = np.linspace(r - 2, r + 2, 801)
    found = opacity(x, r, 1.0, nodes=1500)
    assert r - x[np.argmin(found.d_x)] == pytest.approx(0.76495, abs=0.01)
    assert x[np.argmax(np.gradient(found.d_x, x))] - r == pytest.approx(0.55086, abs=0.01)
    middle, half = opacity([0.0, r * math.cos(math.radians(30))], r, 1.0, nodes=1500).value
    assert half / middle == pytest.approx(0.5, abs=1e-4)


def test_edges_of_a_thread():
    """A line source shows the Gaussian itself: inflexion at sigma, second derivative largest at sqrt(3) sigma, full
    width at half maximum 2 sqrt(2 ln 2) sigma (calculus of the normal curve)."""
    first, second, half, area = edges(0.01, 1.0)
    assert (first, second, half) == pytest.approx((2.0, 2 * math.sqrt(3), 2.3548), abs=2e-3)
    assert area == pytest.approx(0.02, rel=1e-4)


# --- derivatives and interpolation ---------------------------------------------------------------------------------

radii = st.floats(0.3, 16.0)
blurs = st.floats(0.5, 3.0)
bendings = st.floats(1e-4, 0.12)
places = st.floats(-1.6, 1.6)


@examples(max_examples=60)
@given(places, radii, blurs, bendings)
def test_derivatives_of_the_quadrature(place, r, sigma, m):
    x = np.array([place * r])
    at = {"d_x": x[0], "d_r": r, "d_sigma": sigma, "d_m": m}
    found = exact_opacity(x, np.array([r]), sigma, m, nodes=64)
    for name in FIELDS:
        h = 1e-5 * max(abs(at[name]), 0.1)

        def moved(step, name=name):
            v = {**at, name: at[name] + step}
            return exact_opacity(np.array([v["d_x"]]), np.array([v["d_r"]]), v["d_sigma"], v["d_m"], nodes=64).value[0]

        slope = (moved(h) - moved(-h)) / (2 * h)
        assert getattr(found, name)[0] == pytest.approx(slope, rel=2e-5, abs=2e-6 * (1 + r * r))


INTERPOLATION = {"value": 1e-4, "d_x": 5e-4, "d_r": 1e-3, "d_sigma": 2e-3, "d_m": 3e-4}
"""Largest error over the peak (or the blur, for threads thinner than it), times the unit of the derivative."""


@examples(max_examples=100)
@given(places, st.floats(0.05, 30.0), blurs, st.floats(0.0, 1.2))
def test_interpolation_against_quadrature(place, q, sigma, loss):
    """Losses up to m D = 1.2 and m sigma = 0.3, radii from a twentieth to thirty blur widths."""
    r = q * sigma
    m = min(loss / (2 * r), 0.3 / sigma)
    x = np.linspace(-1.6, 1.6, 41) * r + place
    x = x[np.abs(x) < r + (REACH - 0.1) * sigma]  # beyond its reach the fast one is zero
    radius = np.full_like(x, r)
    fast, exact = blurred_opacity(x, radius, sigma, m), opacity(x, r, sigma, max(m, NO_BENDING), nodes=96)
    peak = max(opacity(0.0, r, sigma, max(m, NO_BENDING), nodes=96).value[0], sigma)
    unit = {"value": 1.0, "d_x": 1 / sigma, "d_r": 1 / sigma, "d_sigma": 1 / sigma, "d_m": max(2 * r, sigma)}
    for name, share in INTERPOLATION.items():
        error = np.abs(getattr(fast, name) - getattr(exact, name))
        assert error.max(initial=0.0) < share * peak * unit[name], name


def test_interpolated_fields_are_even_or_odd():
    x = np.linspace(0.1, 9.0, 50)
    r = np.linspace(2.0, 5.0, 50)
    right, left = blurred_opacity(x, r, 1.1, 0.05), blurred_opacity(-x, r, 1.1, 0.05)
    for name in ("value", "d_r", "d_sigma", "d_m"):
        np.testing.assert_array_equal(getattr(right, name), getattr(left, name))
    np.testing.assert_array_equal(right.d_x, -left.d_x)


def test_nothing_beyond_its_reach():
    far = blurred_opacity(np.array([3.0 + 4.6, 60.0]), np.array([3.0, 3.0]), 1.0, 0.05)
    assert all((field == 0).all() for field in far)


def test_wider_darker_and_shallower():
    """Opacity grows with the radius, falls with bending, and blur takes from the middle what it gives to the flank."""
    x, r = np.array([0.0, 4.5]), np.array([3.0, 3.0])
    found = blurred_opacity(x, r, 1.0, 0.05)
    assert (found.d_r > 0).all()
    assert (found.d_m < 0).all()
    assert found.d_sigma[0] < 0 < found.d_sigma[1]
