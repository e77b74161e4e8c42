"""Where exactly a person clicks must not matter: picks moved by up to 6 px along and across their limbs."""

from dataclasses import replace

import numpy as np
import pytest

from qca.phantom import random_bifurcation, render
from qca.pipeline import measure

pytestmark = pytest.mark.accuracy

MOVE_PX = 6.0
SEEDS, MOVES = (1000, 1002, 1003, 1005), 4
MLD_MM, DS_POINTS = 0.02, 1.0


@pytest.fixture(scope="module")
def spread():
    """SD over moved picks of MLD (mm, true scale) and DS, one row per limb, shape (limbs, 2)."""
    rows = []
    for seed in SEEDS:
        phantom = render(random_bifurcation(seed, pick_jitter_px=0.0))
        frame, rng = phantom.frame(), np.random.default_rng(seed)

        def moved(point, rng=rng):
            angle, away = rng.uniform(0, 2 * np.pi), MOVE_PX * np.sqrt(rng.uniform())
            return point[0] + away * np.cos(angle), point[1] + away * np.sin(angle)

        found = []
        for _ in range(MOVES):
            picks = phantom.picks
            picks = replace(
                picks,
                proximal=moved(picks.proximal),
                distal=moved(picks.distal),
                side=moved(picks.side),
                catheter=None,
                french=None,
                mm_per_px=phantom.truth.mm_per_px,
            )
            reading = measure(frame, picks)
            found.append([(limb.mld_mm, limb.ds_percent) for limb in reading.limbs.values()])
        rows.append(np.std(np.array(found), axis=0, ddof=1))
    return np.vstack(rows)


def test_minimal_diameter(spread):
    assert np.sqrt(np.mean(spread[:, 0] ** 2)) < MLD_MM


def test_percent_stenosis(spread):
    assert np.sqrt(np.mean(spread[:, 1] ** 2)) < DS_POINTS
