"""Paths that go on straight where cheaper ones turn a corner."""

from itertools import pairwise

import numpy as np
import pytest

from qca.tree.fork import meeting_paths
from qca.tree.steady import steadier

BACKGROUND, RIDGE, LESION = 60.0, 1.0, 4.0


def drawn(*lines, size=100):
    """Cost image with ridges 3 px wide along ((row, column), (row, column), cost) lines, cheapest last."""
    cost = np.full((size, size), BACKGROUND)
    rows, columns = np.mgrid[:size, :size]
    for (r0, c0), (r1, c1), value in lines:
        along = np.array([r1 - r0, c1 - c0], dtype=float)
        length = np.hypot(*along)
        along /= length
        at = np.clip((rows - r0) * along[0] + (columns - c0) * along[1], 0, length)
        away = np.hypot(rows - r0 - at * along[0], columns - c0 - at * along[1])
        cost[away <= 1.5] = value
    return cost


def walked(*corners):
    """A path from corner to corner, a point per pixel."""
    legs = [np.linspace(a, b, int(np.ceil(np.hypot(b[0] - a[0], b[1] - a[1]))) + 1) for a, b in pairwise(corners)]
    return np.vstack([legs[0], *(leg[1:] for leg in legs[1:])])


GAP = drawn(
    ((50, 5), (50, 95), RIDGE), ((50, 40), (50, 60), LESION),
    ((50, 38), (35, 50), RIDGE), ((35, 50), (50, 62), RIDGE),
)  # fmt: skip
"""A vessel with a lesion, and a way round it on the ridges of others."""


def test_a_way_round_a_lesion_gives_way_to_the_vessel():
    round_it = walked((50, 5), (50, 38), (35, 50), (50, 62), (50, 95))
    (path,) = steadier([round_it], [GAP], [(50, 95)])
    assert np.abs(path[:, 0] - 50).max() <= 1.5
    assert tuple(path[0]) == (50, 5)
    assert tuple(path[-1]) == (50, 95)


def test_a_vessel_that_bends_by_itself_is_followed():
    bent = drawn(((50, 5), (50, 50), RIDGE), ((50, 50), (90, 50), RIDGE))
    assert steadier([walked((50, 5), (50, 50), (90, 50))], [bent], [(90, 50)]) is None


def test_a_path_without_a_corner_stays():
    assert steadier([walked((50, 5), (50, 95))], [GAP], [(50, 95)]) is None
    assert steadier([walked((50, 93), (50, 95))], [GAP], [(50, 95)]) is None


def test_a_way_across_the_background_is_too_dear():
    alone = drawn(
        ((50, 5), (50, 38), RIDGE), ((50, 62), (50, 95), RIDGE),
        ((50, 38), (35, 50), RIDGE), ((35, 50), (50, 62), RIDGE),
    )  # fmt: skip
    assert steadier([walked((50, 5), (50, 38), (35, 50), (50, 62), (50, 95))], [alone], [(50, 95)]) is None


@pytest.mark.parametrize("turned", [False, True], ids=["along rows", "along columns"])
def test_limbs_meet_at_the_fork_and_not_where_a_stranger_crosses_both(turned):
    """The side branch leaves at (60, 60) behind a lesion; a vessel that crosses both daughters offers a way round."""
    cost = drawn(
        ((60, 10), (60, 180), RIDGE), ((60, 60), (150, 150), RIDGE), ((70, 70), (80, 80), 2 * LESION),
        ((60, 130), (110, 100), RIDGE), size=200,
    )  # fmt: skip
    ends = np.array([[60, 14], [60, 174], [146, 146]])
    cost, ends = (cost.T, ends[:, ::-1]) if turned else (cost, ends)
    paths = meeting_paths([np.ascontiguousarray(cost)] * 3, ends)
    assert np.abs(paths[0][0] - 60).max() < 12
