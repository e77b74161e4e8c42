"""Angles between chords, and the points that the chords end in."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qca.tree.angles import angle_between, point_at_distance

directions = st.floats(-720.0, 720.0)


def vector(degrees, length=1.0):
    return length * np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])


@pytest.mark.parametrize(
    ("first", "second", "degrees"),
    [
        ((0, 1), (1, 0), 90),
        ((1, 1), (0, 1), 45),
        ((0, 1), (0, -2), 180),
        ((3, 4), (6, 8), 0),
        ((0, 2), (3**0.5, 1), 60),
    ],
)
def test_by_hand(first, second, degrees):
    assert angle_between(np.array(first, float), np.array(second, float)) == pytest.approx(degrees, abs=1e-6)


@given(directions, directions, st.floats(0.1, 100), st.floats(0.1, 100))
def test_is_the_smaller_turn_between_two_directions(a, b, long, short):
    turn = abs((a - b + 180) % 360 - 180)
    assert angle_between(vector(a, long), vector(b, short)) == pytest.approx(turn, abs=1e-6)


@given(directions, st.floats(1, 179), st.floats(1, 179))
def test_three_limbs_around_a_point_make_a_full_turn(start, first, second):
    """A + B + C = 360 degrees in the plane, where no gap is over 180 (elementary geometry)."""
    third = 360 - first - second
    limbs = [vector(d) for d in (start, start + first, start + first + second)]
    angles = [angle_between(limbs[i], limbs[j]) for i, j in ((0, 1), (1, 2), (2, 0))]
    assert sum(angles) == pytest.approx(360 if third <= 180 else 2 * (first + second), abs=1e-5)


@pytest.mark.parametrize(
    ("full", "tilt", "about_bisector", "about_across"),
    [
        (60, 30, 53.130, 67.380),
        (40, 30, 34.990, 45.592),
        (80, 30, 72.010, 88.191),
        (90, 30, 81.787, 98.213),
        (60, 20, 56.962, 63.133),
        (120, 30, 112.620, 126.870),
    ],
)
def test_projected_angles(full, tilt, about_bisector, about_across):
    """Two branches, symmetric about the bisector, in a plane tilted out of the view: 2 atan(tan h cos t) about the
    bisector, 2 atan(tan h / cos t) about the line across it (descriptive geometry, worked by hand)."""
    h, shrink = np.radians(full / 2), np.cos(np.radians(tilt))
    for flat, expected in (((1.0, shrink), about_bisector), ((shrink, 1.0), about_across)):
        one, other = (np.array([flat[0] * np.cos(h), sign * flat[1] * np.sin(h)]) for sign in (1, -1))
        assert angle_between(one, other) == pytest.approx(expected, abs=5e-4)


LINE = np.array([[0.0, 0.0], [0.0, 3.0], [4.0, 3.0], [4.0, 10.0]])


@pytest.mark.parametrize(
    ("distance", "point", "index"),
    [(2.0, (0, 2), 1), (3.0, (0, 3), 1), (4.0, (2.0, 3.0), 2), (5.0, (4, 3), 2)],
)
def test_point_at_a_straight_distance(distance, point, index):
    """From (0, 0): linear between the samples' own distances, 3 and 5 at the two ends of the second piece."""
    found, k, reached = point_at_distance(LINE, LINE[0], distance)
    assert found == pytest.approx(point)
    assert (k, reached) == (index, True)


def test_a_line_that_ends_too_early_gives_its_end():
    found, k, reached = point_at_distance(LINE, LINE[0], 50.0)
    assert found == pytest.approx(LINE[-1])
    assert (k, reached) == (3, False)


def test_a_line_that_begins_beyond_gives_its_beginning():
    found, k, reached = point_at_distance(LINE + 20.0, np.zeros(2), 5.0)
    assert found == pytest.approx(LINE[0] + 20)
    assert (k, reached) == (0, True)
