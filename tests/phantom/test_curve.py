"""Centrelines against curves with a known equation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from qca.phantom.curve import Curve
from qca.phantom.shapes import Path


def test_straight_line():
    curve = Curve(Path(30.0, 10.0), (1.0, 2.0))
    s = np.array([-1.0, 0.0, 3.3, 10.0, 12.0])  # beyond both ends it goes straight on
    expected = np.stack((1 + s * math.cos(math.pi / 6), 2 + s * math.sin(math.pi / 6)), axis=-1)
    np.testing.assert_allclose(curve.point(s), expected, atol=1e-12)


def test_circular_arc():
    # constant curvature 1/R about the centre (0, R), starting at the origin towards +x
    radius = 25.0
    curve = Curve(Path(0.0, 60.0, 1 / radius), (0.0, 0.0))
    s = np.linspace(0, 60, 501)
    expected = np.stack((radius * np.sin(s / radius), radius * (1 - np.cos(s / radius))), axis=-1)
    np.testing.assert_allclose(curve.point(s), expected, atol=1e-9)


def test_foot_on_a_circle():
    radius = 25.0
    curve = Curve(Path(0.0, 60.0, 1 / radius), (0.0, 0.0))
    rng = np.random.default_rng(1)
    s, d = rng.uniform(1, 59, 200), rng.uniform(-4, 4, 200)
    # the normal (-sin, cos) points to the centre, so a point at distance d lies at radius R - d
    points = np.stack(((radius - d) * np.sin(s / radius), radius - (radius - d) * np.cos(s / radius)), axis=-1)
    foot = curve.foot(points)
    np.testing.assert_allclose(foot.s_mm, s, atol=1e-6)
    np.testing.assert_allclose(foot.d_mm, d, atol=1e-6)


@pytest.mark.parametrize(
    "path",
    [
        Path(20.0, 50.0, 0.01, wave_deg=12.0, wave_length_mm=20.0, wave_phase_deg=50.0),
        Path(200.0, 50.0, 0.002, bend_deg=-80.0, bend_at_mm=12.0, bend_width_mm=4.0),
    ],
)
def test_general_path_against_adaptive_quadrature(path):
    # scipy.integrate.quad (QUADPACK) on the stated direction function
    def direction(s):
        phase = math.radians(path.wave_phase_deg)
        wave = math.sin(2 * math.pi * s / path.wave_length_mm + phase) - math.sin(phase)
        bend = (math.tanh((s - path.bend_at_mm) / path.bend_width_mm) + 1) / 2
        return (
            math.radians(path.direction_deg)
            + path.curvature_per_mm * s
            + math.radians(path.wave_deg) * wave
            + math.radians(path.bend_deg) * bend
        )

    curve = Curve(path, (3.0, 4.0))
    for s in (0.013, 7.77, 23.4, 49.9):
        x = 3.0 + quad(lambda u: math.cos(direction(u)), 0, s, limit=400, epsabs=1e-11)[0]
        y = 4.0 + quad(lambda u: math.sin(direction(u)), 0, s, limit=400, epsabs=1e-11)[0]
        np.testing.assert_allclose(curve.point(s), (x, y), atol=2e-7)
        slope = (direction(s + 1e-5) - direction(s - 1e-5)) / 2e-5
        assert float(curve.curvature(np.array(s))) == pytest.approx(slope, abs=1e-6)


def test_foot_is_perpendicular_and_arc_length_is_length():
    path = Path(20.0, 50.0, 0.01, wave_deg=12.0, wave_length_mm=20.0)
    curve = Curve(path, (0.0, 0.0))
    rng = np.random.default_rng(2)
    points = curve.point(rng.uniform(2, 48, 300)) + rng.uniform(-2, 2, (300, 2))
    foot = curve.foot(points)
    along = (points - curve.point(foot.s_mm)) * np.stack((foot.tangent_x, foot.tangent_y), axis=-1)
    np.testing.assert_allclose(along.sum(axis=1), 0, atol=1e-7)
    fine = curve.point(np.linspace(0, 50, 50001))
    assert np.hypot(*np.diff(fine, axis=0).T).sum() == pytest.approx(50.0, abs=1e-5)
