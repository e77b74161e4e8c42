"""A thread of a lumen between two wide parts, on images drawn by hand."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.tree.thread import thread_along
from qca.tree.trace import first_look

CONTRAST, NOISE, WIDE, REACH = 4.0, 6.0, 10.0, 24.0


def picture(radius_at, centre_at, seed=1):
    """A level vessel along row 60: chord times contrast on a background that slopes, blurred, with noise."""
    rows, columns = np.mgrid[:120, :200].astype(float)
    radius, centre = radius_at(columns), centre_at(columns)
    chord = 2 * np.sqrt(np.maximum(radius**2 - (rows - 60 - centre) ** 2, 0))
    lit = gaussian_filter(200 + 0.2 * rows - CONTRAST * chord, 1.0)
    return lit + np.random.default_rng(seed).normal(0, NOISE, lit.shape)


def look(image):
    x = np.arange(20.0, 180.0)
    points = np.column_stack([np.full(len(x), 60.0), x])
    normal = np.column_stack([np.ones(len(x)), np.zeros(len(x))])
    radius, contrast = first_look(image, points, normal, REACH)
    return thread_along(image, points, normal, radius, contrast, REACH)


def inside(columns):
    return (columns > 75) & (columns < 120)


@pytest.mark.parametrize("aside", [5.0, -5.0])
def test_a_thread_is_found_where_it_runs(aside):
    """Beside the axis; on it the first look sees one by itself."""
    thread = look(picture(lambda c: np.where(inside(c), 1.5, WIDE), lambda c: np.where(inside(c), aside, 0.0)))
    assert thread is not None
    where = np.flatnonzero(thread.faint)
    assert 75 - 8 <= where[0] + 20 <= 75 + 12
    assert 120 - 12 <= where[-1] + 20 <= 120 + 8
    core = (thread.points[:, 1] > 85) & (thread.points[:, 1] < 110)
    assert np.median(thread.points[core, 0]) == pytest.approx(60 + aside, abs=1.0)
    assert np.median(thread.radius[core]) == pytest.approx(1.5, abs=0.5)
    assert thread.radius[~thread.faint].max() < 1.3 * WIDE


def test_none_where_all_is_wide_or_the_end_fades():
    assert look(picture(lambda c: np.full(c.shape, WIDE), np.zeros_like)) is None
    assert look(picture(lambda c: np.where(c > 140, 0.1, WIDE), np.zeros_like)) is None


def test_a_short_gap_is_left_to_the_fit():
    assert look(picture(lambda c: np.where(np.abs(c - 100) < 4, 1.5, WIDE), np.zeros_like)) is None
