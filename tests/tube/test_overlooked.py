"""Narrowings that smoothness hides, in a limb whose coefficients the pixels tell one by one.

Checked against joint least squares of the coefficients and a narrowing's depth.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.tube.curve import curve_through
from qca.tube.hidden import hidden_narrowings
from qca.tube.layout import Layout
from qca.tube.limb import lay_limb
from qca.tube.normal import Factor
from qca.tube.overlooked import asked_for

SD = 0.3
"""Of a coefficient by the pixels alone, px."""
STRAIGHT = 1e4
"""Precision of the second differences, 1/px^2, at which a limb is nearly straight."""


@pytest.fixture
def limb():
    curve = curve_through(np.column_stack([np.full(121, 40.0), np.arange(121.0)]), 1.0)
    return lay_limb(curve, np.full(len(curve.points), 6.0), 3.0, 3.0, 12.0)


def smoothness(count):
    second = np.diff(np.eye(count), 2, axis=0)
    return STRAIGHT * second.T @ second


def ask(limb, seen):
    """What is asked for where coefficients ``seen`` (count,) are told, px."""
    layout = Layout.of([limb], 0)
    part = layout.r[0]
    pixels = 1e-6 * np.eye(layout.size)
    pixels[part, part] = np.eye(len(seen)) / SD**2
    both = pixels.copy()
    both[part, part] += smoothness(len(seen))
    right = np.zeros(layout.size)
    right[part] = seen / SD**2
    factor = Factor(both.copy())
    return asked_for(pixels, right - pixels @ factor.solve(right), factor, [limb], layout, [0.0])[0]


def narrowing(count, middle, length):
    away = np.abs(np.arange(count) - middle) / (length / 2)
    return np.where(away < 1, 0.5 * (1 + np.cos(np.pi * away)), 0.0)


def depth_beside_smoothness(seen, shape):
    """Depth of a narrowing and its SD, told together with the smooth coefficients."""
    count = len(seen)
    columns = np.column_stack([np.eye(count), -shape])
    normal = columns.T @ columns / SD**2
    normal[:count, :count] += smoothness(count)
    covariance = np.linalg.inv(normal)
    return (covariance @ columns.T @ seen)[-1] / SD**2, np.sqrt(covariance[-1, -1])


def test_nothing_is_asked_for_in_a_straight_limb(limb):
    count = limb.r_spline.count
    assert ask(limb, np.full(count, 6.0)) is None
    assert ask(limb, np.linspace(7.0, 5.0, count)) is None


def test_a_hidden_narrowing_is_as_deep_as_least_squares_say(limb):
    count = limb.r_spline.count
    shape = narrowing(count, 17.0, 8)  # 8 knots long, at one of the places that are tried: 1 and on by twos
    seen = 6.0 - 0.8 * shape
    depth, sd = depth_beside_smoothness(seen, shape)
    assert depth > 2.6 * sd
    power = ask(limb, seen)
    bent = np.diff(depth * shape, 2)
    within = bent != 0
    assert (power[within] > 0).all()
    assert (power[~within] == 0).all()
    assert power[within].max() == pytest.approx(3 * np.mean(bent[within] ** 2), rel=0.02)


def test_a_widening_is_not_asked_for(limb):
    count = limb.r_spline.count
    bump = 0.8 * narrowing(count, 17.0, 20)
    power = ask(limb, 6.0 + bump)
    # beside a bump a limb looks narrow: whatever is asked for lies there and not on it
    assert power is None or power[15:18].max() == 0


def test_noise_alone_seldom_asks(limb):
    rng = np.random.default_rng(5)
    count = limb.r_spline.count
    asked = sum(ask(limb, 6.0 + SD * rng.standard_normal(count)) is not None for _ in range(200))
    assert asked < 30


def test_what_a_fit_hides_at_its_end_is_as_deep_as_least_squares_say(limb):
    """From covariance and precisions alone; `asked_for` looks at the pixels."""
    rng = np.random.default_rng(8)
    count = limb.r_spline.count
    seen = 6.0 - 0.8 * narrowing(count, 17.0, 8) + SD * rng.standard_normal(count)
    layout = Layout.of([limb], 0)
    part = layout.r[0]
    covariance = np.full((layout.size, layout.size), np.nan)
    covariance[part, part] = np.linalg.inv(np.eye(count) / SD**2 + smoothness(count))
    theta = np.zeros(layout.size)
    theta[part] = covariance[part, part] @ seen / SD**2
    shared = SimpleNamespace(precisions=SimpleNamespace(r=(np.full(count - 2, STRAIGHT),)))
    fit = SimpleNamespace(limbs=(limb,), layout=layout, theta=theta, covariance=covariance, shared=shared)
    hidden = hidden_narrowings(fit, 0, 0.0)
    expected = [depth_beside_smoothness(seen, shape) for shape in hidden.shapes.T]
    np.testing.assert_allclose(np.column_stack([hidden.amplitude, hidden.sd]), expected, rtol=1e-6, atol=1e-9)
    best = int(np.argmax(hidden.amplitude / hidden.sd))
    assert hidden.middle[best] == pytest.approx(limb.r_spline.spacing * 16.0, abs=limb.r_spline.spacing * 2.1)
