"""An edge in the background that runs along a limb: its wall may be mistaken for it, which nothing may hide."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from qca.phantom import random_bifurcation
from qca.pipeline import measure
from qca.report.remarks import remarks
from qca.validation.case import phantom_case

SOFT_MM = 0.6
"""SD of the edge's blur: a fat pad or the diaphragm's dome seen along its side."""


def darkened_along(case, clean, name, gap_mm, depth):
    """Darken all on one side of a line along a limb as it was read, ``gap_mm`` from its wall, by a part ``depth``."""
    line, mm = clean.limbs[name].profile, case.target.mm_per_px
    points = np.column_stack([line.x_px, line.y_px])
    middle = len(points) // 2
    along = points[middle + 12] - points[middle - 12]
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    at = points[middle] + normal * (line.diameter_px[middle] / 2 + gap_mm / mm)
    y, x = np.indices(case.frame.pixels.shape)
    beyond = ((x - at[0]) * normal[0] + (y - at[1]) * normal[1]) * mm
    pixels = np.round(case.frame.pixels * (1 - depth * ndtr(beyond / SOFT_MM)))
    return replace(case.frame, pixels=pixels)


@pytest.fixture(scope="module")
def along():
    """Cases and readings of frames with a deep edge along a limb."""
    found = []
    for seed in range(405, 408):
        case = phantom_case(random_bifurcation(seed), "edge")
        clean = measure(case.frame, case.picks)
        for name in ("distal", "side"):
            edges = [darkened_along(case, clean, name, gap, 0.3) for gap in (0.3, 1.0)]
            found += [(case, measure(frame, case.picks)) for frame in edges]
    return found


def test_a_wall_drawn_to_an_edge_far_away_is_never_shown_bare(along):
    wrong = silent = 0
    for case, reading in along:
        told = set().union(*(mark.subjects for mark in remarks(reading) if mark.untrusted), set())
        for name, limb in reading.limbs.items():
            truth, mm = case.target.limbs[name], case.target.mm_per_px
            if abs(limb.mld_px * mm - truth.mld_mm) > 0.4:
                wrong += 1
                silent += not told & {name, "everything"}
    assert wrong >= 10
    assert silent == 0
