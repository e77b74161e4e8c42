"""Noise that neighbours share, as light spreads it in a scintillator after the quanta were counted."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.pipeline import measure
from tests.accuracy.tubes import Tubes, as_frame

pytestmark = pytest.mark.accuracy

TUBES = Tubes({"proximal": (185.0, 7.0), "distal": (15.0, 5.5), "side": (-50.0, 4.5)}, (150.0, 160.0), 320)
PICKS = TUBES.picks(120)
SPREAD_PX, PHOTONS = 1.0, 400


def frame(seed):
    lumen = np.maximum.reduce([TUBES.chord(name) for name in TUBES.limbs])
    through = PHOTONS * gaussian_filter(np.exp(-0.025 * lumen), 0.8)
    return as_frame(20 * gaussian_filter(np.random.default_rng(seed).poisson(through).astype(np.float64), SPREAD_PX))


@pytest.fixture(scope="module")
def readings():
    return [measure(frame(seed), PICKS) for seed in range(10)]


def limbs(readings):
    return [(name, limb) for reading in readings for name, limb in reading.limbs.items()]


def test_healthy_limbs_have_no_lesions(readings):
    """Taken for a pixel's own, such noise leaves dents in every wall."""
    assert np.mean([limb.ds_percent for _, limb in limbs(readings)]) < 4.0


def test_stated_errors_are_true(readings):
    for of, sd in (("mld_px", "mld_sd_px"), ("reference_px", "reference_sd_px")):
        z = [(getattr(limb, of) - 2 * TUBES.limbs[name][1]) / getattr(limb, sd) for name, limb in limbs(readings)]
        assert np.mean(np.abs(z) < 1.96) >= 0.85, of


def test_noise_is_no_neighbour(readings):
    assert not [flag for reading in readings for flag in reading.flags if flag.code in {"overlap", "misfit"}]
