"""Two balloons side by side, against a worked table and against convex hulls from scipy and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial import ConvexHull
from shapely.geometry import Point
from shapely.ops import unary_union

from calib.units import Mm
from qca.sizing.kissing import kissing_pair
from qca.sizing.propagation import exact

# D1, D2, P/pi, sqrt(4A/pi), 2/3 (D1 + D2), long over short; computed from the closed form, checked with a hull.
TABLE = [
    (3.0, 3.0, 4.9099, 4.5232, 4.0000, 2.000),
    (3.0, 2.5, 4.5079, 4.1586, 3.6667, 1.833),
    (3.0, 2.0, 4.1235, 3.8233, 3.3333, 1.667),
    (3.5, 3.0, 5.3251, 4.9105, 4.3333, 1.857),
    (3.5, 2.5, 4.9364, 4.5682, 4.0000, 1.714),
    (2.5, 2.5, 4.0915, 3.7693, 3.3333, 2.000),
    (4.0, 3.5, 6.1426, 5.6630, 5.0000, 1.875),
]


@pytest.mark.parametrize(("d1", "d2", "by_perimeter", "by_area", "two_thirds", "elongation"), TABLE)
def test_worked_table(d1, d2, by_perimeter, by_area, two_thirds, elongation):
    for pair in (kissing_pair(exact(d1), exact(d2)), kissing_pair(exact(d2), exact(d1))):
        assert pair.perimeter_equivalent.value == pytest.approx(by_perimeter, abs=5e-5)
        assert pair.area_equivalent.value == pytest.approx(by_area, abs=5e-5)
        assert pair.two_thirds.value == pytest.approx(two_thirds, abs=5e-5)
        assert pair.elongation == pytest.approx(elongation, abs=5e-4)
        assert pair.long_axis.value == d1 + d2
        assert pair.short_axis.value == max(d1, d2)


@pytest.mark.parametrize(("d1", "d2"), [(3.0, 3.0), (3.5, 2.0), (4.0, 1.5), (2.25, 2.75)])
def test_against_scipy_convex_hull(d1, d2):
    turn = np.linspace(0, 2 * np.pi, 20_001)
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    hull = ConvexHull(np.vstack([circle * d1 / 2, circle * d2 / 2 + [(d1 + d2) / 2, 0]]))
    pair = kissing_pair(exact(d1), exact(d2))
    assert pair.perimeter.value == pytest.approx(hull.area, rel=1e-6)  # scipy calls the 2-D perimeter "area"
    assert pair.area_mm2 == pytest.approx(hull.volume, rel=1e-6)


@pytest.mark.parametrize(("d1", "d2"), [(3.0, 2.5), (4.0, 3.5)])
def test_against_shapely(d1, d2):
    balloons = unary_union(
        [Point(0, 0).buffer(d1 / 2, quad_segs=4000), Point((d1 + d2) / 2, 0).buffer(d2 / 2, quad_segs=4000)]
    )
    hull = balloons.convex_hull
    pair = kissing_pair(exact(d1), exact(d2))
    assert pair.perimeter.value == pytest.approx(hull.length, rel=1e-6)
    assert pair.area_mm2 == pytest.approx(hull.area, rel=1e-6)


def test_equal_balloons_in_closed_form():
    pair = kissing_pair(exact(2.0), exact(2.0))
    assert pair.perimeter_equivalent.value / 2.0 == pytest.approx(1 + 2 / math.pi, abs=1e-12)  # 1.63662
    assert pair.area_equivalent.value / 2.0 == pytest.approx(math.sqrt(1 + 4 / math.pi), abs=1e-12)  # 1.50773


@pytest.mark.parametrize(("d1", "d2"), [(3.0, 2.5), (2.0, 3.5)])
def test_uncertainty_against_samples(d1, d2):
    rng = np.random.default_rng(5)
    common = 0.015 * rng.standard_normal(40_000)
    rings, areas = [], []
    for a, b in zip((d1 + 0.05 * rng.standard_normal(common.size)) * (1 + common),
                    (d2 + 0.03 * rng.standard_normal(common.size)) * (1 + common), strict=True):  # fmt: skip
        pair = kissing_pair(exact(a), exact(b))
        rings.append(pair.perimeter_equivalent.value)
        areas.append(pair.area_equivalent.value)
    pair = kissing_pair(Mm(d1, 0.05, 0.015 * d1), Mm(d2, 0.03, 0.015 * d2))
    assert pair.perimeter_equivalent.sd == pytest.approx(np.std(rings), rel=0.02)
    assert pair.area_equivalent.sd == pytest.approx(np.std(areas), rel=0.02)


@pytest.mark.parametrize("bad", [0.0, -2.0])
def test_a_balloon_has_a_positive_diameter(bad):
    with pytest.raises(ValueError, match="positive diameter"):
        kissing_pair(exact(3.0), exact(bad))


def test_the_unconfirmed_rule_is_smaller_than_every_envelope():
    for d1, d2, *_ in TABLE:
        pair = kissing_pair(exact(d1), exact(d2))
        assert pair.two_thirds.value < pair.area_equivalent.value < pair.perimeter_equivalent.value
