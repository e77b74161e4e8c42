"""Arithmetic of lengths whose scale error is common."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.scale import Scale
from calib.units import Mm, Px

lengths = st.floats(0.5, 500.0)
spreads = st.floats(0.0, 5.0)


def drawn(pairs, relative_scale_sd, count=400_000):
    """Monte Carlo: lengths with independent errors, multiplied by one scale with its own error; shape (K, count)."""
    rng = np.random.default_rng(5)
    px = np.array([[value] for value, _ in pairs]) + rng.normal(size=(len(pairs), count)) * [[sd] for _, sd in pairs]
    return 0.2 * px * (1 + relative_scale_sd * rng.normal(size=count))


@pytest.mark.parametrize(
    ("name", "combine"),
    [("sum", lambda a, b: a + b), ("difference", lambda a, b: a - b), ("half the sum", lambda a, b: (a + b) / 2)],
)
def test_sums_and_differences_against_monte_carlo(name, combine):
    one, other, rel = (15.0, 0.3), (12.0, 0.5), 0.05
    scale = Scale(0.2, 0.2 * rel, "test")
    a, b = scale.to_mm(Px(*one)), scale.to_mm(Px(*other))
    found = {"sum": a + b, "difference": a - b, "half the sum": (a + b).times(0.5)}[name]
    samples = combine(*drawn((one, other), rel))
    assert found.value == pytest.approx(samples.mean(), abs=0.003)
    assert found.sd == pytest.approx(samples.std(), rel=0.01)


def test_ratio_against_monte_carlo():
    one, other, rel = (10.0, 0.2), (20.0, 0.3), 0.05
    scale = Scale(0.2, 0.2 * rel, "test")
    ratio, sd = scale.to_mm(Px(*one)).ratio(scale.to_mm(Px(*other)))
    samples = np.divide(*drawn((one, other), rel))
    assert ratio == pytest.approx(0.5)
    assert sd == pytest.approx(samples.std(), rel=0.01)


def test_averaging_does_not_shrink_the_scale_part():
    total = Mm(0.0, 0.0, 0.0)
    for _ in range(100):
        total = total + Mm(3.0, 0.1, 0.06)
    mean = total.times(0.01)
    assert mean.sd_random == pytest.approx(0.01)
    assert mean.sd_scale == pytest.approx(0.06)


@given(lengths, spreads, lengths, spreads, st.floats(0, 0.2))
def test_the_scale_cancels_in_a_ratio(a, sd_a, b, sd_b, rel):
    with_scale, without = (
        Scale(0.2, sd, "test").to_mm(Px(a, sd_a)).ratio(Scale(0.2, sd, "test").to_mm(Px(b, sd_b)))
        for sd in (0.2 * rel, 0.0)
    )
    assert with_scale[0] == pytest.approx(a / b)
    assert with_scale[1] == pytest.approx(without[1], rel=1e-9, abs=1e-12)


@given(lengths, spreads, st.floats(0, 0.2), st.floats(-10, 10))
def test_a_difference_to_itself_has_no_scale_error(a, sd, rel, factor):
    length = Scale(0.2, 0.2 * rel, "test").to_mm(Px(a, sd))
    assert (length - length).sd_scale == 0
    assert length.times(factor).sd == pytest.approx(abs(factor) * length.sd)
    assert length.times(factor).sd_random >= 0


def test_unknown_stays_unknown():
    assert math.isnan(Px(3.0).sd)
    assert math.isnan(Mm(3.0).sd)
    assert math.isnan((Mm(3.0, 0.1, math.nan) + Mm(2.0, 0.1, 0.02)).sd)
    assert not math.isnan((Mm(3.0, 0.1, math.nan) + Mm(2.0, 0.1, 0.02)).sd_random)


@pytest.mark.parametrize("other", [0.0, math.nan, math.inf])
def test_a_ratio_without_answer_is_nan(other):
    assert all(math.isnan(v) for v in Mm(1.0, 0.1, 0.1).ratio(Mm(other, 0.1, 0.1)))
