"""Side branches with a severe lesion at the mouth: no short cut where nothing of it is seen, and none taken for one."""

from dataclasses import replace

import pytest

from qca.flags import FLAGS
from qca.phantom import random_bifurcation
from qca.phantom.shapes import Lesion
from qca.pipeline import measure
from qca.validation.case import phantom_case

pytestmark = pytest.mark.accuracy


def test_angles_of_a_branch_that_is_not_seen_at_its_mouth():
    """382 quanta per pixel, 65 % stenosis of a lumen of 1.5 mm: for some millimetres nothing of it stands out."""
    case = phantom_case(random_bifurcation(72), "hidden")
    assert angle_error(case, measure(case.frame, case.picks)) < 15


def angle_error(case, reading):
    """Largest error of the three angles, degrees."""
    found = {name: getattr(reading.angles, name) for name in "ABC"}
    return max(abs(found[name] - true) for name, true in case.target.angles_deg.items())


def turned_branch(seed):
    """82 % stenosis at the mouth of a branch that turns by 50 degrees behind it, at 2000 quanta per pixel.

    Carried straight on from behind the lesion, the branch would meet the others many millimetres away.
    """
    recipe = replace(random_bifurcation(seed), photons_per_px=2000.0)
    proximal, distal, side = (replace(limb, lesions=()) for limb in recipe.limbs)
    mouth = proximal.diameter_mm / 2
    lesion = Lesion(centre_mm=mouth + 3.0, length_mm=6.0, ds_percent=82.0, shape="plateau", eccentricity=0.0)
    turned = replace(side.path, bend_deg=50.0 if seed % 2 == 0 else -50.0, bend_at_mm=mouth + 6.5, bend_width_mm=2.0)
    return phantom_case(
        replace(recipe, limbs=(proximal, distal, replace(side, path=turned, lesions=(lesion,)))), "thin"
    )


@pytest.mark.parametrize("seed", [300, 302, 305])
def test_a_thin_lumen_that_is_seen_shows_where_the_branch_comes_from(seed):
    case = turned_branch(seed)
    reading = measure(case.frame, case.picks)
    assert angle_error(case, reading) < 5
    assert "unseen" not in {flag.code for flag in reading.flags}


@pytest.mark.parametrize("seed", [301, 306])
def test_where_the_lumen_is_not_seen_the_limb_and_the_angles_say_so(seed):
    """Nobody could tell where these branches come from."""
    case = turned_branch(seed)
    reading = measure(case.frame, case.picks)
    assert angle_error(case, reading) > 5
    assert {flag.where for flag in reading.flags if flag.code == "unseen"} == {"side"}
    assert {flag.where for flag in reading.flags if flag.code == "join_unseen"} == {"angles"}
    assert FLAGS["join_unseen"].untrusted
