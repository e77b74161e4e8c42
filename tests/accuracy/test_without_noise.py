"""Pictures without noise on an even background, rounded to whole grey levels: what simple renderers draw."""

from dataclasses import replace

import numpy as np
import pytest

from qca.flags import FLAGS
from qca.phantom import random_bifurcation
from qca.phantom.recipe import Background
from qca.pipeline import measure
from qca.validation.case import phantom_case

pytestmark = pytest.mark.accuracy

EVEN = Background(tissue_mm=0.0, ribs_mm=0.0, spine_mm=0.0, diaphragm_mm=0.0, texture_mm=0.0)
SEEDS = (1, 2, 3, 4, 6, 7, 8, 12, 13, 14, 16, 22, 34, 42)
"""Eight frames of 8 and six of 12 bits. Before rounding was told from noise one of them was refused, one ran for
minutes and into gigabytes, five were taken for frames behind a display curve (scales 2 to 20 % too small), one scale
was 47 % too large, and all carried a warning."""


@pytest.fixture(scope="module")
def without_noise():
    """Target and reading of each."""
    found = []
    for seed in SEEDS:
        recipe = random_bifurcation(seed)
        case = phantom_case(replace(recipe, photons_per_px=1e5 * recipe.photons_per_px, background=EVEN), "clean")
        found.append((case.target, measure(case.frame, case.picks)))
    return found


def test_diameters(without_noise):
    errors = [
        limb.mld_px * target.mm_per_px - target.limbs[name].mld_mm
        for target, reading in without_noise
        for name, limb in reading.limbs.items()
    ]
    assert np.std(errors) < 0.02
    assert np.abs(errors).max() < 0.06


def test_their_intervals(without_noise):
    """No noise is left, and the intervals are not nothing: what the model does not know is in them."""
    true = [
        abs(limb.mld_px - target.limbs[name].mld_mm / target.mm_per_px) < 1.96 * limb.mld_sd_px
        for target, reading in without_noise
        for name, limb in reading.limbs.items()
    ]
    assert np.mean(true) > 0.9


def test_scales(without_noise):
    errors = np.array([reading.scale.mm_per_px / target.mm_per_px - 1 for target, reading in without_noise])
    stated = np.array([reading.scale.relative_sd for _, reading in without_noise])
    assert np.abs(errors).max() < 0.03
    assert (np.abs(errors) < 2.5 * stated).all()


def test_nothing_is_doubted(without_noise):
    codes = [flag.code for _, reading in without_noise for flag in reading.flags]
    assert not [code for code in codes if FLAGS[code].untrusted]
    assert not {"display_curve", "catheter_wire", "wire_inside", "sharpened"} & set(codes)
