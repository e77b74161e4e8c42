"""The Medina code: Medina A et al., Rev Esp Cardiol 2006;59:183; digits in the order proximal, distal, side."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from qca.medina import medina_code

percent = st.floats(-20, 100)
spread = st.floats(0.01, 20)


@pytest.mark.parametrize(
    ("ds", "digit"),
    [(50.0, "1"), (math.nextafter(50.0, 0.0), "0"), (math.nextafter(50.0, 100.0), "1"), (-3.0, "0"), (100.0, "1")],
)
def test_the_boundary(ds, digit):
    """Exactly 50 % counts as narrowed: sources differ on the equals sign, and this is the documented choice."""
    assert medina_code([ds, 0.0, 0.0], [2.0, 2.0, 2.0], 50.0).code == f"{digit},0,0"


@pytest.mark.parametrize("digits", list(itertools.product((0, 1), repeat=3)))
def test_all_eight_codes_in_their_order(digits):
    medina = medina_code([70.0 if d else 10.0 for d in digits], [3.0] * 3, 50.0)
    assert medina.code == ",".join(map(str, digits))
    assert medina.distance_percent == pytest.approx([20.0 if d else -40.0 for d in digits])


@given(st.tuples(percent, percent, percent), st.tuples(spread, spread, spread), st.floats(30, 80))
def test_probability_is_that_of_a_normal_variable(ds, sd, threshold):
    """scipy.stats.norm as reference."""
    medina = medina_code(ds, sd, threshold)
    assert medina.threshold_percent == threshold
    assert medina.probability == pytest.approx(norm.sf(threshold, loc=ds, scale=sd), abs=1e-12)
    for digit, distance in zip(medina.code.split(","), medina.distance_percent, strict=True):
        assert (digit == "1") == (distance >= 0)


def test_what_cannot_be_told():
    medina = medina_code([math.nan, 60.0, 40.0], [math.nan, 5.0, math.nan], 50.0)
    assert medina.code == "?,1,0"
    assert np.isnan(medina.distance_percent[0])
    assert np.isnan(medina.probability[0])
    assert np.isnan(medina.probability[2])


def test_without_spread_the_digit_is_certain():
    assert medina_code([50.0, 49.9, 70.0], [0.0, 0.0, 0.0], 50.0).probability == (1.0, 0.0, 1.0)
