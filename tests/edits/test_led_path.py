"""Paths led by hand, on a cost image with two ways from left to right."""

import numpy as np
import pytest

from qca.errors import PicksError
from qca.picks import Edit
from qca.tree.led_path import lead, leading_points
from qca.tree.path import shortest_path


def two_ways():
    """A cheap straight way along row 10, and a dearer one that bends down to row 30."""
    cost = np.full((40, 60), 100.0)
    cost[10, :] = 1.0
    cost[10:31, 15] = 2.0
    cost[30, 15:46] = 2.0
    cost[10:31, 45] = 2.0
    return cost


def test_a_path_is_led_through_a_point():
    cost = two_ways()
    straight = shortest_path(cost, np.array([10, 2]), np.array([10, 57]))
    assert (straight[:, 0] == 10).all()
    led = lead(straight, cost, np.array([[30.0, 30.0]]), "side")
    assert (led == [30, 30]).all(axis=1).any()
    assert (led[0] == straight[0]).all()
    assert (led[-1] == straight[-1]).all()
    assert np.abs(np.diff(led, axis=0)).max() == 1  # without a gap and without a point twice
    assert (np.abs(np.diff(led, axis=0)).sum(axis=1) > 0).all()


def test_points_are_visited_from_the_beginning_outwards():
    cost = np.ones((40, 60))
    path = np.array([[20.0, c] for c in range(2, 58)])
    led = lead(path, cost, np.array([[25.0, 40.0], [15.0, 20.0]]), "distal")
    at = [int(np.flatnonzero((led == point).all(axis=1))[0]) for point in ([15, 20], [25, 40])]
    assert at == sorted(at)


def test_without_points_a_path_stays():
    path = np.array([[1.0, 2.0], [1.0, 3.0]])
    assert lead(path, np.ones((5, 5)), np.zeros((0, 2)), "side") is path


def test_a_point_outside_is_refused():
    with pytest.raises(PicksError, match="side limb is led through lies outside the frame"):
        lead(np.array([[1.0, 2.0], [1.0, 3.0]]), np.ones((5, 5)), np.array([[1.0, 9.0]]), "side")


def test_points_of_each_limb_in_square_pixels():
    edits = (Edit("path", "side", points=((3.0, 5.0),)), Edit("wall", "side", "left", ((1.0, 1.0),)),
             Edit("path", "side", points=((7.0, 9.0),)))  # fmt: skip
    found = leading_points(edits, ("proximal", "distal", "side"), 2.0)
    assert [len(points) for points in found] == [0, 0, 2]
    np.testing.assert_array_equal(found[2], [[10.0, 3.0], [18.0, 7.0]])
