"""A noise-free phantom's lumen against a general-purpose library's medial axis."""

from __future__ import annotations

import numpy as np
import pytest

from qca.phantom.curve import Curve
from qca.phantom.shapes import Lesion, Limb, Path
from qca.phantom.transmission import transmission
from qca.phantom.tube import true_diameter


@pytest.mark.parametrize(
    ("path", "lesion"),
    [
        (Path(20.0, 26.0), Lesion(13.0, 16.0, 50.0)),
        (Path(20.0, 26.0, 0.03), Lesion(13.0, 16.0, 50.0)),
        (Path(20.0, 26.0, 0.02, wave_deg=6.0, wave_length_mm=18.0), Lesion(13.0, 18.0, 40.0, "skewed")),
    ],
)
def test_diameters_against_the_medial_axis(straight, path, lesion):
    # scikit-image medial_axis: distance from the skeleton to the background, on the binary lumen in 0.025 mm cells
    from skimage.morphology import medial_axis

    limb = Limb("segment", path, 3.0, -0.01, lesions=(lesion,), pick_mm=25.0)
    scale = 0.1
    recipe = straight(limb=limb, branching_point_mm=(4.0, 6.0), size=340, mm_per_px=scale, supersampling=4)
    vessels, _ = transmission(recipe)
    lumen = vessels < 1 - 1e-3
    axis, distance = medial_axis(lumen, return_distance=True)
    cell = scale / 4
    row, column = np.nonzero(axis)
    points = np.stack(((column + 0.5) * cell - scale / 2, (row + 0.5) * cell - scale / 2), axis=-1)
    curve = Curve(path, (4.0, 6.0))
    foot = curve.foot(points)
    kept = (foot.s_mm > 2) & (foot.s_mm < 24) & (np.abs(foot.d_mm) < 0.1)
    assert kept.sum() > 500
    s = foot.s_mm[kept]
    width = true_diameter(limb, s)
    # the largest circle inside a tapering tube touches it at r cos(slope)
    slope = (true_diameter(limb, s + 0.01) - true_diameter(limb, s - 0.01)) / 0.02 / 2
    # the distance ends at the middle of the first cell outside, half a cell beyond the wall
    measured = (2 * distance[row[kept], column[kept]] - 1) * cell
    error = measured - width * np.cos(np.arctan(slope))
    assert abs(np.median(error)) < 0.0125  # half a cell
    assert np.percentile(np.abs(error), 95) < 0.025  # one cell


def test_middle_of_the_shadow_is_the_centreline(straight):
    # a circular arc, x = R sin, y = R (1 - cos): the log-attenuation's centroid along the radius lies on it
    radius = 20.0
    limb = Limb("segment", Path(0.0, 30.0, 1 / radius), 2.0, pick_mm=29.0)
    recipe = straight(limb=limb, branching_point_mm=(3.0, 3.0), size=160, mm_per_px=0.2, iodine_mg_per_ml=1.0)
    from scipy.ndimage import map_coordinates

    from qca.phantom.render import expected_intensity

    loss = -np.log(expected_intensity(recipe))
    offset = np.arange(-2.5, 2.5, 0.02)
    for s in np.arange(4.0, 26.0, 2.0):
        angle = s / radius
        x = 3 + radius * np.sin(angle) + offset * -np.sin(angle)
        y = 3 + radius * (1 - np.cos(angle)) + offset * np.cos(angle)
        value = map_coordinates(loss, (y / 0.2, x / 0.2), order=3)
        # on the inner side of the bend, lengths along the curve are shorter by 1 - d / R: variance / R, 0.015 mm
        assert abs((value * offset).sum() / value.sum()) < 0.002 + (1.0**2 / 4 + 0.2**2) / radius
