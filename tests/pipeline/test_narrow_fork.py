"""Forks whose daughters part at 24 degrees, and what is said where limbs cannot be told apart."""

from dataclasses import fields, replace

import numpy as np
import pytest

import qca.pipeline
from qca.doubts import _SPREADS, _Signs, _windows
from qca.errors import NoVessel
from qca.phantom.shapes import Lesion, Limb, Path
from qca.pipeline import measure
from qca.tree.laying import NoMeeting
from qca.tree.quality import LimbQuality
from qca.validation.case import phantom_case

DIRECTIONS = {"proximal": 0.0, "distal": 168.0, "side": 192.0}
WIDTHS = {"proximal": 3.6, "distal": 2.9, "side": 2.2}
NARROWED_SIDE = {"side": (Lesion(3.0, 5.0, 55.0),)}


def narrow(fork, seed, lesions):
    limbs = tuple(
        Limb(name, Path(DIRECTIONS[name], 30.0), WIDTHS[name], pick_mm=22.0, lesions=lesions.get(name, ()))
        for name in DIRECTIONS
    )
    return phantom_case(replace(fork(), limbs=limbs, seed=seed, photons_per_px=900.0), "narrow")


@pytest.mark.parametrize("seed", [7, 8, 9, 10])
def test_the_proximal_limb_does_not_begin_among_the_daughters(fork, seed):
    """It lies right of the branching point. It began up to 2.5 px left of it, as far as the fit had moved the point."""
    case = narrow(fork, seed, NARROWED_SIDE)
    reading = measure(case.frame, case.picks)
    assert reading.limbs["proximal"].profile.x_px[0] >= reading.branching_point_px[0] - 0.4
    assert reading.limbs["proximal"].ds_percent < 4


def test_a_lesion_at_the_proximal_limbs_mouth_is_still_measured_there(fork):
    case = narrow(fork, 7, {"proximal": (Lesion(1.5, 5.0, 50.0),)})
    limb = measure(case.frame, case.picks).limbs["proximal"]
    truth = case.target.limbs["proximal"]
    assert limb.mld_px * case.target.mm_per_px == pytest.approx(truth.mld_mm, abs=3 * limb.mld_sd_px * 0.2 + 0.05)
    assert "ostial" in limb.flags


def test_limbs_that_meet_nowhere_are_no_flat_picture(forked, monkeypatch):
    def nowhere(*_, **__):
        raise NoMeeting

    monkeypatch.setattr(qca.pipeline, "grow", nowhere)
    with pytest.raises(NoVessel, match="found to meet nowhere"):
        measure(forked[0], forked[1])


def test_beside_a_narrow_fork_less_is_let_pass():
    """A daughter that runs on beside the proximal limb is mostly taken for background: 4.5 SDs are left of it."""
    calm = {item.name: np.zeros(3) for item in fields(LimbQuality)} | {"strength": np.full(3, 9.0), "gain": 0.0}
    calm["noise_part"] = 0.1
    calm["position"] = np.array([4.0, 12.0, 20.0])
    quality = LimbQuality(**(calm | {"gain_sd": 0.1, "beside_shift": np.array([3.6, 4.5, 4.5])}))
    signs = _Signs.of(quality, 0.0, 16.0)
    found = dict(_windows(quality, signs))
    assert found["overlap"].tolist() == [False, True, False]


def test_only_a_strong_overlap_reaches_the_neighbours():
    calm = {item.name: np.zeros(3) for item in fields(LimbQuality)} | {"strength": np.full(3, 9.0), "gain": 0.0}
    calm["noise_part"] = 0.1
    calm["position"] = np.array([4.0, 12.0, 20.0])
    quality = LimbQuality(**(calm | {"gain_sd": 0.1, "ground_step": np.array([0.1, -0.2, 0.25])}))
    signs = _Signs.of(quality, 0.0, 0.0)
    assert signs.overlap().tolist() == [False, True, True]
    assert signs.overlap(_SPREADS).tolist() == [False, False, True]
