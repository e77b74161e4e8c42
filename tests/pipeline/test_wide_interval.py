"""A minimal diameter that is hardly known says so, by a flag and not only by its SD."""

from dataclasses import replace

import pytest

from qca.flags import FLAGS
from qca.phantom import hard_bifurcation, random_bifurcation
from qca.pipeline import measure
from qca.validation.case import phantom_case


def reading_of(photons, **changes):
    case = phantom_case(replace(random_bifurcation(28), photons_per_px=photons), "faint")
    return measure(case.frame, replace(case.picks, **changes))


def test_a_flag_stands_where_the_interval_is_wide_and_nowhere_else():
    flagged = 0
    for photons in (150.0, 600.0, 5000.0):
        reading = reading_of(photons)
        for limb in reading.limbs.values():
            wide = 1.96 * limb.mld_sd_px * reading.scale.mm_per_px > 0.3
            assert ("wide_interval" in limb.flags) == wide
            flagged += wide
    assert 1 <= flagged < 9
    assert FLAGS["wide_interval"].untrusted


def test_without_a_scale_no_millimetre_can_be_wide():
    reading = reading_of(150.0, catheter=None, french=None, catheter_mm=None)
    assert reading.scale is None
    assert not any("wide_interval" in limb.flags for limb in reading.limbs.values())


@pytest.mark.parametrize(
    ("seed", "difficulty", "name"),
    [(21, "log", "distal"), (22, "motion", "distal"), (28, "gamma", "side"), (21, "edge_enhancement", "distal")],
)
def test_a_minimum_that_noise_has_made_wrong_carries_a_warning(seed, difficulty, name):
    """Wrong by 0.33-0.38 mm and nothing else to see: some 1.5 of their SDs."""
    case = phantom_case(hard_bifurcation(seed, difficulty), "hard")
    limb = measure(case.frame, case.picks).limbs[name]
    assert abs(limb.mld_px * case.target.mm_per_px - case.target.limbs[name].mld_mm) > 0.3
    assert any(FLAGS[code].untrusted for code in limb.flags)
