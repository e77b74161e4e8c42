"""Objects of known size."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.known import CATHETER_MM_RANGE, FRENCH_RANGE, catheter_mm, french_to_mm


@pytest.mark.parametrize(("french", "mm"), [(4, 1.333), (5, 1.667), (6, 2.000), (7, 2.333), (8, 2.667), (9, 3.000)])
def test_french_scale(french, mm):
    """The French (Charriere) scale: outer diameter in mm is the French size over 3 (not over pi)."""
    assert french_to_mm(french) == pytest.approx(mm, abs=5e-4)


@pytest.mark.parametrize("french", [0, -6, 1.9, 14.1, 60, float("nan"), float("inf")])
def test_absurd_french_sizes_are_refused(french):
    with pytest.raises(ValueError, match=r"F is outside 2 to 14 F: check the size"):
        french_to_mm(french)


@pytest.mark.parametrize("mm", [0.0, -2.0, 0.6, 4.7, 60.0, float("nan"), float("inf")])
def test_absurd_catheter_diameters_are_refused(mm):
    with pytest.raises(ValueError, match=r"mm is outside 0\.67 to 4\.67 mm: check the size"):
        catheter_mm(mm)


@given(st.floats(*FRENCH_RANGE))
def test_both_ways_of_giving_a_size_share_their_range(french):
    mm = french_to_mm(french)
    assert CATHETER_MM_RANGE[0] <= mm <= CATHETER_MM_RANGE[1]
    assert catheter_mm(mm) == mm
