"""The scale and the one conversion."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.scale import Scale
from calib.units import Px


def test_conversion_by_hand():
    """15 +- 0.3 px at 0.2 mm per px known to 2 %: 3 mm, 0.06 mm from the px, 0.06 mm from the scale."""
    length = Scale(0.2, 0.004, "test").to_mm(Px(15.0, 0.3))
    assert (length.value, length.sd_random, length.sd_scale) == pytest.approx((3.0, 0.06, 0.06))
    assert length.sd == pytest.approx(0.06 * math.sqrt(2))


@given(st.floats(0.01, 2.0), st.floats(0, 0.1), st.floats(-1e3, 1e3), st.floats(0, 10))
def test_to_mm_is_linear(mm_per_px, rel, value, sd):
    scale = Scale(mm_per_px, rel * mm_per_px, "test")
    assert scale.relative_sd == pytest.approx(rel)
    one, two = scale.to_mm(Px(value, sd)), scale.to_mm(Px(2 * value, 2 * sd))
    assert (two.value, two.sd_random, two.sd_scale) == pytest.approx(
        (2 * one.value, 2 * one.sd_random, 2 * one.sd_scale)
    )


def test_unknown_scale_uncertainty_leaves_the_random_part():
    length = Scale(0.2, math.nan, "typed in").to_mm(Px(15.0, 0.3))
    assert length.sd_random == pytest.approx(0.06)
    assert math.isnan(length.sd_scale)
    assert math.isnan(length.sd)


@pytest.mark.parametrize("value", [0.0, -0.2, math.nan, math.inf])
def test_a_scale_that_cannot_be_one_is_refused(value):
    with pytest.raises(ValueError, match=r"mm_per_px must be a positive number, not "):
        Scale(value, 0.01, "test")
