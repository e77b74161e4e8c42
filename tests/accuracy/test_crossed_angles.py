"""Frames in which something crosses the vessel near the branching point: angles that it led astray say so."""

import pytest

from qca.flags import FLAGS
from qca.phantom import hard_bifurcation
from qca.pipeline import measure
from qca.validation.case import phantom_case

pytestmark = pytest.mark.accuracy


@pytest.mark.parametrize("seed", [7, 23, 106])
def test_angles_of_a_limb_that_was_led_astray_are_flagged(seed):
    """A limb was traced along the crossing vessel: an angle is wrong by 50 to 61 degrees, 5 to 24 times its SD."""
    case = phantom_case(hard_bifurcation(seed, "crossing"), "crossed")
    reading = measure(case.frame, case.picks)
    found = [(getattr(reading.angles, name), getattr(reading.angles, f"sd_{name}")) for name in "ABC"]
    off = [abs(angle - case.target.angles_deg[name]) for name, (angle, _) in zip("ABC", found, strict=True)]
    assert max(off) > 45.0
    assert max(error / sd for error, (_, sd) in zip(off, found, strict=True)) > 4.0
    assert any(FLAGS[flag.code].untrusted for flag in reading.flags if flag.where == "angles")


@pytest.mark.parametrize("seed", [112, 113, 131])
def test_a_limb_that_is_no_longer_led_astray(seed):
    """Weighed by the others' ridges, or where corners cost nothing, a path followed the crossing vessel here."""
    case = phantom_case(hard_bifurcation(seed, "crossing"), "crossed")
    angles = measure(case.frame, case.picks).angles
    for name in "ABC":
        assert abs(getattr(angles, name) - case.target.angles_deg[name]) < 4 * getattr(angles, f"sd_{name}")


@pytest.mark.parametrize("seed", [110, 119])
def test_angles_are_not_doubted_where_nothing_crosses_near_the_branching_point(seed):
    case = phantom_case(hard_bifurcation(seed, "crossing"), "crossed")
    reading = measure(case.frame, case.picks)
    assert "overlap_beside" not in {flag.code for flag in reading.flags}
