"""How sharply a centreline turns."""

import math

import numpy as np
import pytest

from qca.tree.turning import sharpest_turn


def line(heading):
    """Points of a line whose heading, rad, is given at each px, in steps of half a pixel."""
    position = np.arange(0.0, 100.0, 0.5)
    steps = heading(position[:-1] + 0.25)
    points = np.zeros((len(position), 2))
    points[1:] = 0.5 * np.cumsum(np.column_stack([np.cos(steps), np.sin(steps)]), axis=0)
    return position, points


@pytest.mark.parametrize("degrees", [20, 60, 90, 150])
def test_a_corner_turns_by_its_angle_where_it_lies(degrees):
    turn = sharpest_turn(*line(lambda s: np.where(s > 40, math.radians(-degrees), 0.0)), 8.0)
    assert math.degrees(turn.angle) == pytest.approx(degrees)
    assert turn.position == pytest.approx(40, abs=0.5)


def test_an_arc_turns_by_the_reach_over_its_radius():
    # Chords of a circle: neighbouring chords of arc length a enclose the angle a / R (inscribed angles, Euclid III.20).
    assert sharpest_turn(*line(lambda s: s / 25.0), 10.0).angle == pytest.approx(10 / 25, rel=1e-3)


def test_noise_of_a_centreline_is_no_turn():
    position, points = line(np.zeros_like)
    rng = np.random.default_rng(3)
    assert math.degrees(sharpest_turn(position, points + rng.normal(0, 0.2, points.shape), 8.0).angle) < 12


def test_what_is_shorter_than_two_chords_cannot_turn():
    position, points = line(lambda s: s)
    turn = sharpest_turn(position[:20], points[:20], 8.0)
    assert turn.angle == 0
    assert math.isnan(turn.position)
