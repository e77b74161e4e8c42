"""Curves and the place of pixels beside them, on circles and lines whose answers are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from qca.tube.curve import curve_through, resample

RADIUS = 60.0
CENTRE = np.array([80.0, 90.0])


def on_circle(angle, radius=RADIUS):
    """(row, column); the angle runs from +x (column) towards +y (row)."""
    angle = np.asarray(angle, dtype=float)
    return CENTRE + np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=-1)


ARC = curve_through(on_circle(np.linspace(0.0, np.pi / 2, 2000)), 0.0)


@pytest.fixture
def arc():
    return ARC


def test_length_and_curvature_of_an_arc(arc):
    assert arc.length == pytest.approx(RADIUS * np.pi / 2, rel=1e-4)
    assert arc.step == pytest.approx(1.0, abs=0.01)
    # walking from +x towards +y (down) is clockwise on the screen: the centre is on the right hand
    assert arc.curvature[3:-3] == pytest.approx(np.full(len(arc.points) - 6, 1 / RADIUS), rel=1e-3)
    towards = (CENTRE - arc.points) / RADIUS
    np.testing.assert_allclose(arc.normal[2:-2], towards[2:-2], atol=2e-3)


def test_backwards_the_normal_and_the_curvature_turn_round(arc):
    back = curve_through(arc.points[::-1], 0.0)
    assert back.curvature[5:-5] == pytest.approx(np.full(len(back.points) - 10, -1 / RADIUS), rel=1e-2)
    np.testing.assert_allclose(back.normal, -arc.normal[::-1], atol=1e-6)


@examples(max_examples=40)
@given(st.lists(st.tuples(st.floats(0.08, 1.49), st.floats(-14.0, 14.0)), min_size=1, max_size=30))
def test_locate_on_a_circle(places):
    """Analytic: arc length R angle, lateral distance R - rho, positive towards the centre (the right hand)."""
    angle, lateral = np.array(places).T
    s, x = ARC.locate(on_circle(angle, RADIUS - lateral))
    np.testing.assert_allclose(s, RADIUS * angle, atol=0.02)
    np.testing.assert_allclose(x, lateral, atol=0.01)


def test_locate_between_the_samples_of_a_tight_circle():
    """Radius 12 px: between two samples the circle lies up to 0.01 px beside the tangent, which must not show."""
    tight = curve_through(on_circle(np.linspace(0.0, np.pi, 4000), 12.0), 0.0)
    angle = np.linspace(0.4, np.pi - 0.4, 400)
    s, x = tight.locate(on_circle(angle, 12.0))
    assert np.abs(x).max() < 0.004
    np.testing.assert_allclose(s, 12.0 * angle, atol=0.02)


def test_locate_beyond_the_ends(arc):
    """The end tangents carry on: 5 px before the start, 3 px to the right; 4 px after the end, 2 px to the left."""
    before = arc.points[0] - 5 * arc.tangent[0] + 3 * arc.normal[0]
    after = arc.points[-1] + 4 * arc.tangent[-1] - 2 * arc.normal[-1]
    s, x = arc.locate(np.array([before, after]))
    assert s == pytest.approx([-5.0, arc.length + 4.0])
    assert x == pytest.approx([3.0, -2.0])


def test_at_and_tangent_undo_locate(arc):
    s = np.linspace(2.0, arc.length - 2.0, 57)
    points, normal = arc.at(s)
    for lateral in (-6.0, 0.0, 6.0):
        found_s, found_x = arc.locate(points + lateral * normal)
        np.testing.assert_allclose(found_s, s, atol=0.02)
        np.testing.assert_allclose(found_x, lateral, atol=0.01)
    np.testing.assert_allclose((arc.tangent_at(s) * normal).sum(1), 0.0, atol=1e-2)
    np.testing.assert_allclose(np.linalg.norm(arc.tangent_at(s), axis=1), 1.0)


def test_right_hand_of_someone_walking_along_x():
    """With the row axis pointing down, walking along +x (columns) has +y (rows) on the right hand."""
    line = curve_through(np.array([[10.0, 5.0], [10.0, 45.0]]), 0.0)
    s, x = line.locate(np.array([[13.0, 25.0], [8.0, 35.0]]))
    assert s == pytest.approx([20.0, 30.0])
    assert x == pytest.approx([3.0, -2.0])


def test_smoothing_takes_out_a_staircase_and_keeps_the_ends():
    """A pixel path along a line of slope 1/3 becomes that line; its ends stay."""
    steps = np.arange(91)
    path = np.column_stack([20 + np.round(steps / 3), 10.0 + steps])
    curve = curve_through(path, 5.0)
    np.testing.assert_allclose(curve.points[[0, -1]], path[[0, -1]], atol=1e-9)
    off = (curve.points[:, 0] - 20) - (curve.points[:, 1] - 10) / 3
    assert np.abs(off[15:-15]).max() < 0.05
    assert np.abs(curve.curvature[15:-15]).max() < 0.01


@pytest.mark.parametrize("points", [[[0.0, 0.0], [0.0, 1.9]], [[5.0, 5.0], [5.0, 5.0]]])
def test_a_path_too_short_for_a_curve_is_refused(points):
    with pytest.raises(ValueError, match="a curve needs at least 3 px of path, not "):
        curve_through(np.array(points), 0.0)


def test_resample_by_hand():
    """An L of 3 + 4 px, cut into pieces of 1 px: the corner is a sample."""
    points = resample(np.array([[0.0, 0.0], [0.0, 3.0], [4.0, 3.0]]), 1.0)
    expected = [[0, 0], [0, 1], [0, 2], [0, 3], [1, 3], [2, 3], [3, 3], [4, 3]]
    np.testing.assert_allclose(points, expected, atol=1e-12)


@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=2, max_size=12, unique=True),
    st.sampled_from([0.5, 1.0, 3.0]),
)
def test_resample_keeps_both_ends_and_steps_evenly(points, step):
    points = np.array(points)
    twice = np.repeat(points, 2, axis=0)  # a point given twice is one point
    even = resample(twice, step)
    np.testing.assert_allclose(even[[0, -1]], points[[0, -1]], atol=1e-8)
    np.testing.assert_allclose(even, resample(points, step), atol=1e-8)
    length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    gaps = np.linalg.norm(np.diff(even, axis=0), axis=1)
    assert (gaps <= length / (len(even) - 1) + 1e-8).all()  # corners are cut, never stretched
