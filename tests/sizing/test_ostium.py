"""The side branch's mouth: ellipse formulas against scipy, slant lengths against points on two surfaces."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ellipe
from shapely.geometry import LineString

from calib.units import Mm
from qca.sizing.ostium import Ellipse, bent_slant_mm, ostium, ostium_sd, saddle_depth, slant_length
from qca.sizing.propagation import exact


@pytest.mark.parametrize(("long", "short"), [(3.0, 2.0), (2.4, 2.25), (2.0, 2.0), (9.0, 1.0)])
def test_ellipse_against_scipy(long, short):
    ellipse = Ellipse(long, short)
    a, b = long / 2, short / 2
    assert ellipse.perimeter == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), rel=1e-12)
    assert ellipse.area_mm2 == pytest.approx(2 * quad(lambda x: 2 * b * math.sqrt(1 - (x / a) ** 2), 0, a)[0], rel=1e-8)
    assert ellipse.area_equivalent == pytest.approx(2 * math.sqrt(ellipse.area_mm2 / math.pi), rel=1e-12)
    assert ellipse.eccentricity == pytest.approx(math.sqrt(1 - (short / long) ** 2), abs=1e-12)


def test_mouth_is_round_at_90_degrees_and_longer_elsewhere():
    assert ostium(exact(2.5), 90.0).long_axis == pytest.approx(2.5)
    assert ostium(exact(2.5), 30.0).long_axis == pytest.approx(5.0)
    assert ostium(exact(2.5), 150.0).long_axis == pytest.approx(5.0)
    assert ostium(exact(2.5), 30.0).short_axis == 2.5


@pytest.mark.parametrize(("side", "angle", "expected"), [
    (2.5, 90.0, 0.0), (2.5, 45.0, 2.5), (2.0, math.degrees(math.atan(2.0)), 1.0), (2.75, 70.0, 1.0009),
    (2.5, 135.0, 2.5),
])  # fmt: skip
def test_slant_length(side, angle, expected):
    assert slant_length(exact(side), angle, 0.0).value == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("angle", [40.0, 65.0, 90.0, 110.0])
def test_slant_length_is_where_a_cylinder_meets_a_plane(angle):
    # Points of a cylinder of radius r around an axis under the angle, on the plane y = 0: their spread along the axis.
    bend, r = math.radians(angle), 1.2
    turn = np.linspace(0, 2 * np.pi, 3601)
    across = r * np.cos(turn)  # in the plane of both axes
    along = across * math.cos(bend) / math.sin(bend)  # y = along sin(bend) - across cos(bend) = 0
    assert slant_length(exact(2 * r), angle, 0.0).value == pytest.approx(along.max() - along.min(), abs=1e-9)


def test_slant_uncertainty_against_samples():
    rng = np.random.default_rng(3)
    side = 2.5 + 0.06 * rng.standard_normal(400_000)
    angle = 60.0 + 2.0 * rng.standard_normal(side.size)
    sampled = side / np.tan(np.radians(angle))
    assert slant_length(Mm(2.5, 0.06, 0.0), 60.0, 2.0).sd == pytest.approx(sampled.std(), rel=0.01)


def test_saddle_depth_from_points_of_a_cylinder():
    # On a vessel of radius R the flank at half width s lies at sqrt(R^2 - s^2).
    assert saddle_depth(exact(2.5), exact(3.5)) == pytest.approx(1.75 - math.sqrt(1.75**2 - 1.25**2))
    assert math.isnan(saddle_depth(exact(4.0), exact(3.5)))


@pytest.mark.parametrize("angle", [math.nan, 5.0, 178.0])
def test_angles_without_meaning_give_no_number(angle):
    assert math.isnan(slant_length(exact(2.5), angle, 1.0).value)
    assert math.isnan(ostium(exact(2.5), angle).long_axis)
    assert math.isnan(ostium(exact(2.5), angle).perimeter)


def wall(direction, radius, sign):
    """One wall of a straight limb that leaves the origin, as a long line; ``sign`` picks the side."""
    (x, y), far = direction, 40.0
    shift = (-sign * radius * y, sign * radius * x)
    return LineString([(shift[0] - far * x, shift[1] - far * y), (shift[0] + far * x, shift[1] + far * y)])


@pytest.mark.parametrize(("a", "b", "p", "d", "s"), [
    (155.0, 54.0, 1.88, 1.455, 1.185), (140.0, 65.0, 1.75, 1.375, 1.125), (120.0, 60.0, 1.5, 1.5, 1.2),
    (95.0, 110.0, 1.75, 1.5, 1.2),
])  # fmt: skip
def test_bent_slant_from_the_lines_of_three_limbs(a, b, p, d, s):
    # Proximal limb along -x, the side branch below, the distal limb after another angle B; y points up.
    turn_a, turn_b = math.radians(180.0 + a), math.radians(180.0 + a + b)
    side, distal = (math.cos(turn_a), math.sin(turn_a)), (math.cos(turn_b), math.sin(turn_b))
    carina = wall(side, s, 1).intersection(wall(distal, d, -1))
    shoulder = wall(side, s, -1).intersection(LineString([(-60.0, -p), (60.0, -p)]))
    along = [point.x * side[0] + point.y * side[1] for point in (carina, shoulder)]
    found = bent_slant_mm(exact(2 * p), exact(2 * d), exact(2 * s), a, b)
    assert found == pytest.approx(along[0] - along[1], abs=1e-9)


@pytest.mark.parametrize("angle", [35.0, 54.0, 90.0, 120.0])
def test_a_straight_main_vessel_bends_nothing(angle):
    found = bent_slant_mm(exact(3.0), exact(3.0), exact(2.4), 180.0 - angle, angle)
    assert found == pytest.approx(2.4 / math.tan(math.radians(angle)), abs=1e-9)  # signed: negative beyond 90 degrees
    assert abs(found) == pytest.approx(slant_length(exact(2.4), angle, 0.0).value, abs=1e-9)


def test_bent_slant_is_unknown_where_walls_do_not_meet():
    assert math.isnan(bent_slant_mm(exact(3.0), exact(3.0), exact(2.4), 176.0, 50.0))
    assert math.isnan(bent_slant_mm(exact(math.nan), exact(3.0), exact(2.4), 140.0, 50.0))


@pytest.mark.parametrize("angle", [45.0, 90.0, 120.0])
def test_the_uncertainty_of_the_mouth_is_that_of_drawn_branches(angle):
    rng = np.random.default_rng(3)
    side = Mm(2.4, 0.06, 0.05)
    drawn = [
        ostium(Mm(s, 0.0, 0.0), a)
        for s, a in zip(rng.normal(2.4, side.sd, 20000), rng.normal(angle, 3.0, 20000), strict=True)
    ]
    long_sd, area_sd = ostium_sd(side, angle, 3.0)
    assert long_sd == pytest.approx(np.std([one.long_axis for one in drawn]), rel=0.03)
    assert area_sd == pytest.approx(np.std([one.area_mm2 for one in drawn]), rel=0.03)
