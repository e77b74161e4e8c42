"""Bifurcations whose limbs are bent as vessels on the heart are, with radii down to 12 mm.

Drawn by `random_bifurcation` with curvatures of -0.08 to 0.08 per mm, without lesions. Limits: what straight lines from
beyond the mouths gave was 3.0, 3.2 and 1.5 degrees (rms), and one carina of these 23 lay 9 mm off, where daughters come
near each other again.
"""

from dataclasses import replace

import numpy as np
import pytest

from qca.phantom import random_bifurcation
from qca.phantom.ranges import RANGES
from qca.phantom.truth import truth_of
from qca.pipeline import measure
from qca.validation.case import phantom_case

SEEDS = tuple(seed for seed in range(1, 25) if seed != 14)
"""The limbs of seed 14 are too long for its frame."""
BENT = replace(RANGES, curvature_per_mm=(-0.08, 0.08), lesion_share=0.0)


@pytest.fixture(scope="module")
def measured():
    """Angle errors (N, 3), degrees, their SDs, distances of the carina, mm, and all readings."""
    errors, sds, carinas, readings = [], [], [], []
    for seed in SEEDS:
        recipe = random_bifurcation(seed, BENT)
        case, truth = phantom_case(recipe, f"bent-{seed}"), truth_of(recipe)
        reading = measure(case.frame, case.picks)
        errors.append([getattr(reading.angles, letter) - case.target.angles_deg[letter] for letter in "ABC"])
        sds.append([getattr(reading.angles, f"sd_{letter}") for letter in "ABC"])
        away = np.subtract(reading.carina_px, truth.carina_px) * recipe.mm_per_px
        carinas.append(float(np.hypot(*away)))
        readings.append(reading)
    return np.array(errors), np.array(sds), np.array(carinas), readings


def test_angles(measured):
    errors, sds, _, _ = measured
    assert (np.sqrt((errors**2).mean(0)) < [2.0, 2.0, 1.0]).all()
    assert (np.abs(errors.mean(0)) < 0.6).all()
    assert (np.abs(errors) < 1.96 * sds).mean() >= 0.92


def test_the_carina_lies_where_the_daughters_part(measured):
    _, _, carinas, _ = measured
    assert np.median(carinas) < 0.15
    assert carinas.max() < 0.8


def test_no_lesion_begins_before_the_carina(measured):
    # the proximal limb counts from the carina, too, but backwards
    *_, readings = measured
    for reading in readings:
        for limb in reading.limbs.values():
            assert limb.lesion_start_mm > -0.5
            assert limb.mld_position_mm > -0.5
