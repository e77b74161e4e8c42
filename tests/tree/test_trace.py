"""From picks to rough limbs on drawn tubes."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.errors import LimbTooShort
from qca.tree.trace import Crop, crop_around, first_radius, trace_tree
from qca.tube.curve import curve_through


def tubes(shape, *lines):
    """Dark tubes on a level of 100: each a line from (row, column) to (row, column) with a radius."""
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    image = np.full(shape, 100.0)
    for (r0, c0), (r1, c1), radius in lines:
        d = np.array([r1 - r0, c1 - c0], dtype=float)
        t = np.clip(((row - r0) * d[0] + (column - c0) * d[1]) / (d @ d), 0, 1)
        away = np.hypot(row - r0 - t * d[0], column - c0 - t * d[1])
        image = np.minimum(image, 100.0 - 2 * np.sqrt(np.maximum(radius**2 - away**2, 0)))
    return image


def whole(image):
    return Crop(image, np.ones(image.shape, dtype=bool), np.zeros(2))


FORK = tubes((100, 140), ((50, 10), (50, 70), 5), ((50, 70), (20, 130), 4), ((50, 70), (85, 125), 3.5))
PICKS = np.array([[50.0, 15.0], [23.0, 124.0], [82.0, 120.0]])


def test_three_limbs_from_their_meeting_point():
    paths = trace_tree(whole(FORK), PICKS, 6.0)
    assert len(paths) == 3
    for path, pick in zip(paths, PICKS, strict=True):
        assert np.hypot(*(path[0] - [50, 70])) < 6
        assert np.hypot(*(path[-1] - pick)) < 6
    assert np.abs(paths[0][:, 0] - 50).max() < 2


def test_picks_beside_the_vessel_lead_to_it():
    near = trace_tree(whole(FORK), PICKS + np.array([[3.0, 0.0], [-2.0, 2.0], [2.0, 2.0]]), 6.0)
    for path, exact in zip(near, trace_tree(whole(FORK), PICKS, 6.0), strict=True):
        off = np.hypot(*(path[:, None] - exact[None]).transpose(2, 0, 1)).min(axis=1)
        assert np.median(off) < 1.0


@pytest.mark.parametrize("radius", [5.0, 8.0, 11.0])
@pytest.mark.parametrize("aside", [-1.0, 0.0])
def test_a_pick_on_the_wall_of_a_wide_lumen_belongs_to_its_axis(radius, aside):
    """Up to 1 px outside the wall, in noise that is a ridge to fine scales."""
    image = tubes((120, 160), ((60, 0), (60, 90), radius), ((60, 90), (15, 159), 4), ((60, 90), (105, 159), 4))
    image += np.random.default_rng(5).normal(0.0, 4.0, image.shape)
    picks = np.array([[60.0 + radius - aside, 20.0], [31.0, 134.0], [89.0, 134.0]])
    proximal = trace_tree(whole(image), picks, 6.0)[0]
    assert abs(proximal[-1][0] - 60) <= 1 + 0.3 * radius


def test_a_pick_on_a_thin_lumen_is_not_drawn_to_a_wide_neighbour():
    image = tubes((120, 160), ((60, 0), (60, 159), 8), ((60, 60), (45, 100), 3), ((45, 100), (45, 159), 3))
    picks = np.array([[60.0, 10.0], [60.0, 150.0], [45.0, 150.0]])
    side = trace_tree(whole(image), picks, 6.0)[2]
    assert side[-1][0] == pytest.approx(45, abs=2)


def test_a_pick_on_a_thin_lumen_stays_there_though_its_path_follows_a_wide_neighbour():
    """The neighbour's radius then counts as the limb's, and its axis lies within that radius of the pick."""
    image = tubes((130, 200), ((100, 10), (60, 190), 7), ((80, 95), (47, 190), 2.5), ((85, 80), (115, 190), 5))
    picks = np.array([[97.0, 20.0], [113.0, 180.0], [50.0, 180.0]])
    side = trace_tree(whole(image), picks, 6.0)[2]
    assert np.hypot(*(side[-1] - picks[2])) < 3


def side_by_side(thin, wide, gap):
    """Attenuation of a wide straight lumen and a thin one that leaves it at (130, 120) and then runs beside it."""
    beside = 130 - wide - thin - gap
    bend = (beside, 250 - beside)
    depth = 100 - tubes(
        (260, 340), ((130, 10), (130, 330), wide), ((130, 120), bend, thin), (bend, (beside, 330), thin)
    )
    return gaussian_filter(depth, 1.5), float(beside)


def counted(depth, seed):
    """Quanta behind it, 900 of them per pixel where there is nothing."""
    return np.random.default_rng(seed).poisson(900 * np.exp(-0.0175 * depth)).astype(float)


@pytest.mark.parametrize(
    ("thin", "wide", "gap"), [(2.5, 5, 12), (2.5, 8, 8), (2.5, 8, 12), (4, 5, 4), (4, 8, 2), (4, 8, 6)]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_daughters_side_by_side_meet_where_they_part(thin, wide, gap, seed):
    """A bridge from one to the other beside their picks is shorter than both lumens, and was taken for the fork."""
    depth, beside = side_by_side(thin, wide, gap)
    picks = np.array([[130.0, 40.0], [130.0, 240.0], [beside, 240.0]])
    for path in trace_tree(whole(counted(depth, seed)), picks, 6.0):
        assert path[0] == pytest.approx([130, 120], abs=16)


def test_two_lumens_side_by_side_are_not_taken_for_a_wide_one():
    """On larger pixels, as wide ones are traced on, the path left the thinner one for its neighbour."""
    depth, beside = side_by_side(2.5, 5, 6)
    depth = np.maximum(depth, gaussian_filter(100 - tubes(depth.shape, ((130, 120), (230, 250), 4)), 1.5))
    picks = np.array([[130.0, 40.0], [218.5, 235.0], [beside, 240.0]])
    side = trace_tree(whole(counted(depth, 1)), picks, 6.0)[2]
    there = (side[:, 1] > 150) & (side[:, 1] < 230)
    assert np.abs(side[there, 0] - beside).max() < 4


def test_one_segment():
    (path,) = trace_tree(whole(FORK), PICKS[:2], 6.0)
    assert np.hypot(*(path[0] - PICKS[0])) < 3
    assert np.hypot(*(path[-1] - PICKS[1])) < 3


def test_a_limb_too_short_is_refused_by_name():
    picks = PICKS.copy()
    picks[2] = [51.0, 73.0]
    with pytest.raises(LimbTooShort, match="the side limb is too short to measure: move its pick further") as found:
        trace_tree(whole(FORK), picks, 3.0)
    assert found.value.limb == "side"


def test_a_path_goes_round_what_must_not_be_looked_at():
    image = tubes((80, 120), ((40, 5), (40, 115), 4))
    valid = np.ones(image.shape, dtype=bool)
    valid[25:55, 55:65] = False
    (path,) = trace_tree(Crop(image, valid, np.zeros(2)), np.array([[40.0, 10.0], [40.0, 110.0]]), 6.0)
    at = path.astype(int)
    assert (~valid[at[:, 0], at[:, 1]]).sum() <= 12  # straight across at most


@pytest.mark.parametrize("radius", [2.0, 4.0, 7.0, 11.0])
def test_first_radius(radius):
    image = tubes((90, 120), ((45, 0), (45, 119), radius))
    curve = curve_through(np.array([[46.0, 15.0], [46.0, 105.0]]), 0.0)  # 1 px beside the axis
    found = first_radius(image, curve.points, curve.normal, 24.0)
    assert found.shape == (len(curve.points),)
    assert np.abs(found - radius).max() <= 1.0


def test_crop():
    image = np.arange(200.0 * 300).reshape(200, 300)
    crop = crop_around(image, image > 0, np.array([[50.0, 100.0], [80.0, 250.0]]), 40.0)
    np.testing.assert_array_equal(crop.origin, [10, 60])
    assert crop.image.shape == crop.valid.shape == (121 - 10, 291 - 60)
    assert crop.image[0, 0] == image[10, 60]
    corner = crop_around(image, image > 0, np.array([[2.0, 3.0], [198.0, 290.0]]), 40.0)
    np.testing.assert_array_equal(corner.origin, [0, 0])
    assert corner.image.shape == image.shape


def test_where_next_to_no_lumen_is_left_the_first_radius_keeps_to_the_limb():
    """Noise and a tilted background match the widest template there: a start from which no fit comes back."""
    row, column = np.mgrid[0:120, 0:60].astype(float)
    gone = (row > 45) & (row < 75)
    lumen = 2 * np.sqrt(np.maximum(np.where(gone, 0.0, 5.0) ** 2 - (column - 30) ** 2, 0))
    image = 100.0 + 0.02 * (column - 30) ** 2 - lumen
    curve = curve_through(np.column_stack([np.arange(10.0, 110.0), np.full(100, 30.0)]), 1.0)
    found = first_radius(image, curve.points, curve.normal, 24.0)
    usual = float(np.median(found))
    assert usual == pytest.approx(5.0, abs=1.0)
    assert found.max() <= 1.7 * usual
