"""Vessels that cross others: daughters that leave the image's plane to different sides, and strangers."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import KDTree

from qca.phantom import hard_bifurcation, render
from qca.picks import Picks
from qca.pipeline import measure
from qca.validation.case import phantom_case
from tests.accuracy.tubes import Tubes, as_frame

pytestmark = pytest.mark.accuracy

TUBES = Tubes({"proximal": (180.0, 9.0), "distal": (20.0, 7.5), "side": (-30.0, 6.5)}, (190.0, 200.0), 400)
PICKS = TUBES.picks(150)


def frame(apart, seed):
    """One frame whose daughters part in the image's plane, or lie ``apart`` enough in depth to be crossed twice."""
    mother, first, second = (TUBES.chord(name) for name in TUBES.limbs)
    daughters = first + second if apart else np.maximum(first, second)
    through = 800 * gaussian_filter(np.exp(-0.03 * np.maximum(mother, daughters)), 1.2)
    return as_frame(np.random.default_rng(seed).poisson(through).astype(np.float64))


@pytest.mark.parametrize("apart", [False, True], ids=["one plane", "apart in depth"])
def test_angles_where_daughters_cross(apart):
    found = [measure(frame(apart, seed), PICKS).angles for seed in range(4)]
    for name, true in (("A", 150.0), ("B", 50.0), ("C", 160.0)):
        error = np.array([getattr(angles, name) for angles in found]) - true
        sd = np.array([getattr(angles, f"sd_{name}") for angles in found])
        assert np.abs(error.mean()) < 2.0, (name, error)
        assert (np.abs(error) < 3 * sd).all(), (name, error)


@pytest.mark.parametrize("seed", [8, 18, 21, 36, 37])
def test_no_limb_is_led_along_a_vessel_that_crosses_it(seed):
    """Cheapest paths followed it round a lesion or a faint lumen: angles were 20 to 105 degrees off."""
    case = phantom_case(hard_bifurcation(seed, "crossing"), "crossing")
    angles = measure(case.frame, case.picks).angles
    error = [getattr(angles, letter) - case.target.angles_deg[letter] for letter in "ABC"]
    assert np.abs(error).max() < 9


@pytest.mark.parametrize("seed", [21, 22])
def test_nor_is_a_segment(seed):
    """From a proximal to a distal pick; it went 35 and 14 px astray."""
    phantom = render(hard_bifurcation(seed, "crossing"))
    picks = Picks(start=phantom.picks.proximal, end=phantom.picks.distal, mm_per_px=0.2)
    line = measure(phantom.frame(), picks).limbs["segment"].profile
    limbs = [phantom.truth.limbs[name] for name in ("proximal", "distal")]
    true = KDTree(np.vstack([np.column_stack([limb.x_px, limb.y_px]) for limb in limbs]))
    assert true.query(np.column_stack([line.x_px, line.y_px]))[0].max() < 6
