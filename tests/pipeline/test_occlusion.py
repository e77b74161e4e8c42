"""A vessel that is closed looks like one with a lumen too thin to be seen: the numbers of an open one say so."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.frames.frame import Frame
from qca.picks import Picks
from qca.pipeline import measure

RADIUS, MIDDLE = 7.0, 130.0


def narrowed(percent, seed):
    """A level vessel, narrowed by so many percent over 24 px: its frame and its picks."""
    y, x = np.mgrid[0:120, 0:260].astype(float)
    share = np.clip((18.0 - np.abs(x - MIDDLE)) / 12.0, 0, 1)
    radius = RADIUS * (1 - percent / 100 * share)
    chord = 2 * np.sqrt(np.maximum(radius**2 - (y - 60) ** 2, 0.0))
    light = 900 * gaussian_filter(np.exp(-0.03 * chord), 1.3)
    counts = np.random.default_rng(seed).poisson(light).astype(np.float64)
    picks = Picks(start=(30.0, 60.0), end=(230.0, 60.0), mm_per_px=0.2)
    return Frame(counts, np.ones(counts.shape, dtype=bool), "narrowed", "0" * 64), picks


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("percent", [95, 100])
def test_where_nothing_is_seen_an_occlusion_is_not_excluded(percent, seed):
    reading = measure(*narrowed(percent, seed))
    limb = reading.limbs["segment"]
    assert {"unseen", "maybe_occluded"} <= set(limb.flags)
    assert reading.flags
    assert limb.mld_position_px == pytest.approx(100, abs=20)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("percent", [0, 50, 70])
def test_a_lumen_that_is_seen_is_open(percent, seed):
    limb = measure(*narrowed(percent, seed)).limbs["segment"]
    assert "maybe_occluded" not in limb.flags
    assert limb.ds_percent == pytest.approx(percent, abs=3 * max(limb.ds_sd_percent, 1.0))
