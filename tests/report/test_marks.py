import dataclasses
import math

import numpy as np
import pytest

from qca.report.marks import cross_section, runs


@pytest.fixture
def straight(bifurcation):
    """A horizontal limb: centre (10 + s, 20), walls 3 above and 3 below, at s = 0, 1, ... 9."""
    s = np.arange(10.0)
    nothing = np.full(10, np.nan)
    return dataclasses.replace(
        bifurcation.reading.limbs["distal"].profile,
        position_px=s,
        x_px=10 + s,
        y_px=np.full(10, 20.0),
        left_px=np.column_stack([10 + s, np.full(10, 17.0)]),
        right_px=np.column_stack([10 + s, np.full(10, 23.0)]),
        diameter_px=nothing,
    )


def test_cross_section_lies_between_samples(straight):
    section = cross_section(straight, 4.25)
    assert section.centre == pytest.approx((14.25, 20.0))
    assert section.left == pytest.approx((14.25, 17.0))
    assert section.right == pytest.approx((14.25, 23.0))
    assert section.across == pytest.approx((0.0, 1.0))


@pytest.mark.parametrize("position", [math.nan, -5.0, 40.0])
def test_no_cross_section_outside_the_profile(straight, position):
    assert cross_section(straight, position) is None


def test_unknown_points_are_bridged(straight):
    left = straight.left_px.copy()
    left[4:6] = np.nan
    section = cross_section(dataclasses.replace(straight, left_px=left), 4.5)
    assert section.left == pytest.approx((14.5, 17.0))


def test_all_unknown_gives_none(straight):
    assert cross_section(dataclasses.replace(straight, x_px=np.full(10, np.nan)), 3.0) is None


def test_walls_on_one_point_give_none(straight):
    assert cross_section(dataclasses.replace(straight, right_px=straight.left_px), 3.0) is None


def test_runs_split_at_gaps_and_drop_single_points():
    x = np.array([0.0, 1, np.nan, 3, np.nan, 5, 6, 7])
    pieces = runs(np.column_stack([x, x]))
    assert [piece[:, 0].tolist() for piece in pieces] == [[0, 1], [5, 6, 7]]
    assert runs(np.empty((0, 2))) == []
