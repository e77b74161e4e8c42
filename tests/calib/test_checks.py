"""Two scales compared, and magnification by depth."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.checks import depth_magnification, disagreement
from calib.scale import Scale


@pytest.mark.parametrize(
    ("nearer_cm", "source_cm", "percent"),
    [
        (1, 75, 1.35),
        (1, 70, 1.45),
        (1, 65, 1.56),
        (1, 80, 1.27),
        (-1, 75, -1.32),
        (-1, 70, -1.41),
        (-1, 65, -1.52),
        (-1, 80, -1.23),
        (5, 75, 7.14),
        (-5, 75, -6.25),
    ],
)
def test_magnification_by_depth(nearer_cm, source_cm, percent):
    """Central projection: magnification is source-to-detector over source-to-object distance (similar triangles,
    Euclid VI.4); worked by hand to the printed digits, e.g. 75 / 74 and 70 / 69."""
    assert 100 * depth_magnification(10 * nearer_cm, 10 * source_cm) == pytest.approx(percent, abs=0.005)


@given(st.floats(-300, 300), st.floats(500, 900), st.floats(900, 1300))
def test_magnification_is_the_ratio_of_two_projections(depth, source_to_object, source_to_detector):
    near, reference = source_to_detector / (source_to_object - depth), source_to_detector / source_to_object
    assert depth_magnification(depth, source_to_object) == pytest.approx(near / reference - 1, abs=1e-12)


@pytest.mark.parametrize("depth", [700.0, 800.0])
def test_an_object_behind_the_source_is_refused(depth):
    with pytest.raises(ValueError, match=r"must be smaller than the source distance 700 mm"):
        depth_magnification(depth, 700.0)


def test_disagreement_by_hand():
    difference, sd = disagreement(Scale(0.21, 0.0021, "catheter"), Scale(0.20, 0.01, "header"))
    assert difference == pytest.approx(0.05)
    assert sd == pytest.approx(math.hypot(0.01, 0.05))


def test_unknown_uncertainty_counts_as_none():
    assert disagreement(Scale(0.2, math.nan, "typed in"), Scale(0.2, 0.01, "header"))[1] == pytest.approx(0.05)
