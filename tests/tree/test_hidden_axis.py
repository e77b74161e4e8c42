"""An eccentric lesion at a limb's mouth hides where the limb comes from, and the angles' SDs say so."""

from dataclasses import replace

import numpy as np
import pytest

from qca.phantom import random_bifurcation
from qca.phantom.shapes import Lesion
from qca.pipeline import measure
from qca.validation.case import phantom_case

SEEDS = (8, 10, 35, 42, 59, 69)


def angles(seed, *lesions):
    """Errors (A, B, C) and SDs, degrees, of a bifurcation that is healthy but for these lesions of its side branch."""
    recipe = random_bifurcation(seed)
    limbs = [replace(limb, lesions=()) for limb in recipe.limbs]
    limbs[2] = replace(limbs[2], lesions=lesions)
    case = phantom_case(replace(recipe, limbs=tuple(limbs)), f"mouth-{seed}")
    found = measure(case.frame, case.picks).angles
    errors = [getattr(found, letter) - case.target.angles_deg[letter] for letter in "ABC"]
    return errors, [getattr(found, f"sd_{letter}") for letter in "ABC"]


@pytest.fixture(scope="module")
def aside():
    """Lumens along either wall of the side branch for its first 6 mm: errors and SDs, (frames, 2, 3)."""
    return np.array([angles(seed, Lesion(3.5, 6.0, 70.0, "plateau", side)) for seed in SEEDS for side in (-1, 1)])


def test_sds_hold_what_the_lesion_hides(aside):
    """The visible lumen points elsewhere: A and B were 3 SDs off (rms), C is the main vessel's."""
    errors, sds = aside[:, 0], aside[:, 1]
    assert (np.abs(errors[:, :2]) > 5).mean() > 0.3
    assert np.sqrt(((errors / sds) ** 2).mean(0)).max() < 1.8
    assert (np.abs(errors) < 1.96 * sds).mean() >= 0.85


def test_a_lesion_further_out_hides_nothing(aside):
    further = np.array([angles(seed, Lesion(11.0, 4.0, 70.0, "plateau", 1.0)) for seed in SEEDS[:3]])
    assert further[:, 1, :2].mean() < 0.7 * aside[:6, 1, :2].mean()
