"""Where a traced vessel turns as sharply as vessels seldom do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import KDTree

from qca.frames.frame import Frame
from qca.picks import Edit, Picks
from qca.pipeline import measure

RADIUS = 5.0
SIZE = 240


def bent(degrees, over):
    """A vessel that turns by so many degrees over so many px in the middle of its way: its frame, picks and corner."""
    position = np.arange(0.0, 171.0, 0.25)
    share = np.clip((position - 85 + over / 2) / max(over, 0.25), 0, 1)
    heading = np.radians(10.0 + degrees * share)
    line = np.array([30.0, 110.0]) + 0.25 * np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    away = KDTree(line).query(np.column_stack([x.ravel(), y.ravel()]))[0].reshape(SIZE, SIZE)
    chord = 2 * np.sqrt(np.maximum(RADIUS**2 - away**2, 0.0))
    counts = np.random.default_rng(11).poisson(900 * gaussian_filter(np.exp(-0.03 * chord), 1.2)).astype(np.float64)
    picks = Picks(start=tuple(line[40].tolist()), end=tuple(line[-40].tolist()), mm_per_px=0.2)
    return Frame(counts, np.ones(counts.shape, dtype=bool), "bent", "0" * 64), picks, line[340]


def turns(frame, picks):
    return "sharp_turn" in measure(frame, picks).limbs["segment"].flags


@pytest.mark.parametrize("degrees", [70, -80])
def test_a_corner_is_told_where_it_lies(degrees):
    frame, picks, corner = bent(degrees, 0)
    limb = measure(frame, picks).limbs["segment"]
    assert "sharp_turn" in limb.flags
    marked = ["sharp_turn" in codes for codes in limb.profile.flags]
    line = np.column_stack([limb.profile.x_px, limb.profile.y_px])[marked]
    assert np.hypot(*(line.mean(0) - corner)) < 2 * RADIUS
    assert 0 < np.mean(marked) < 0.4


@pytest.mark.parametrize(("degrees", "over"), [(0, 0), (35, 0), (80, 60), (-100, 80)])
def test_bends_are_no_corners(degrees, over):
    frame, picks, _ = bent(degrees, over)
    assert not turns(frame, picks)


def test_a_path_that_is_led_by_hand_may_turn():
    frame, picks, corner = bent(80, 0)
    led = replace(picks, edits=(Edit("path", "segment", points=(tuple(corner.tolist()),)),))
    assert turns(frame, picks)
    assert not turns(frame, led)
