"""Chords through lumens against solid geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.shapes import Catheter, GuideWire, Lesion, Limb, Path, Vessel
from qca.phantom.transmission import transmission

THIN_MG_PER_ML = 1e-3
"""So little iodine that the attenuation is linear in the chord to 1e-5."""


def volume_mm3(recipe):
    """Volume of everything that holds contrast, from the chord at every fine cell."""
    vessels, _ = transmission(recipe)
    chord = -np.log(vessels) / contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    return float(chord.sum()) * (recipe.mm_per_px / recipe.supersampling) ** 2


@pytest.mark.parametrize("degrees", [0.0, 90.0, 33.0])
def test_chord_of_a_straight_tube(straight, degrees):
    recipe = straight(3.0, degrees, supersampling=8, substeps=8)
    vessels, _ = transmission(recipe)
    chord = -np.log(vessels) / contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    cell = recipe.mm_per_px / recipe.supersampling
    y, x = (np.mgrid[0 : vessels.shape[0], 0 : vessels.shape[1]] + 0.5) * cell - recipe.mm_per_px / 2
    start, angle = recipe.branching_point_mm, math.radians(degrees)
    d = -(x - start[0]) * math.sin(angle) + (y - start[1]) * math.cos(angle)
    inside = np.abs(d) < 1.3  # nearer to the wall a cell's mean chord differs from the chord at its middle
    np.testing.assert_allclose(chord[inside], 2 * np.sqrt(1.5**2 - d[inside] ** 2), atol=2e-3)
    assert (vessels[np.abs(d) > 1.5 + cell] == 1).all()


def test_volume_of_a_tube_with_round_ends(straight):
    recipe = straight(3.0, 27.0, length_mm=10.0, iodine_mg_per_ml=THIN_MG_PER_ML)
    expected = math.pi * 1.5**2 * 10 + 4 / 3 * math.pi * 1.5**3
    assert volume_mm3(recipe) == pytest.approx(expected, rel=2e-4)


def test_volume_of_a_curved_tube(straight):
    # Pappus: cross-section times the way of its centroid, which a plane curve's tube keeps on the centreline
    path = Path(200.0, 12.0, 0.05, wave_deg=8.0, wave_length_mm=15.0)
    recipe = straight(length_mm=-6.0, limb=Limb("segment", path, 2.0, pick_mm=11.0), iodine_mg_per_ml=THIN_MG_PER_ML)
    expected = math.pi * 12 + 4 / 3 * math.pi
    assert volume_mm3(recipe) == pytest.approx(expected, rel=2e-4)


def test_volume_of_an_elliptic_tube(straight):
    limb = Limb("segment", Path(20.0, 10.0), 3.0, depth_ratio=0.7, pick_mm=9.0)
    recipe = straight(length_mm=10.0, limb=limb, iodine_mg_per_ml=THIN_MG_PER_ML)
    expected = 0.7 * (math.pi * 1.5**2 * 10 + 4 / 3 * math.pi * 1.5**3)
    assert volume_mm3(recipe) == pytest.approx(expected, rel=1e-2)


@pytest.mark.parametrize("shape", ["cosine", "plateau", "skewed"])
def test_volume_of_a_lesion(straight, shape):
    from scipy.integrate import quad

    from qca.phantom.tube import true_diameter

    lesion = Lesion(5.0, 6.0, 60.0, shape, eccentricity=0.8)
    limb = Limb("segment", Path(20.0, 10.0), 3.0, lesions=(lesion,), pick_mm=9.0)
    recipe = straight(length_mm=10.0, limb=limb, iodine_mg_per_ml=THIN_MG_PER_ML)
    body = quad(lambda s: math.pi / 4 * float(true_diameter(limb, s)) ** 2, 0, 10, limit=200)[0]
    assert volume_mm3(recipe) == pytest.approx(body + 4 / 3 * math.pi * 1.5**3, rel=5e-4)


def test_joined_lumens_are_a_union(straight):
    # two equal cylinders crossing at right angles share 16 r^3 / 3 (Archimedes' bicylinder; Weisstein EW, Steinmetz
    # Solid, MathWorld; from memory)
    recipe = straight(3.0, 0.0, length_mm=10.0, iodine_mg_per_ml=THIN_MG_PER_ML)
    single = volume_mm3(recipe)
    middle = recipe.branching_point_mm[0] + 5.0, recipe.branching_point_mm[1]
    other = Vessel((middle[0], middle[1] - 5.0), Path(90.0, 10.0), 3.0, 3.0, attached=True)
    both = volume_mm3(replace(recipe, vessels=(other,)))
    assert 2 * single - both == pytest.approx(16 / 3 * 1.5**3, abs=2e-4 * single)
    crossing = volume_mm3(replace(recipe, vessels=(replace(other, attached=False),)))
    assert crossing == pytest.approx(2 * single, rel=1e-4)


def test_catheter_is_a_wall_around_a_lumen(straight):
    recipe = straight(1.0, 0.0, offset_mm=-6.0)
    y = recipe.branching_point_mm[1] + 10.0
    shaft = Catheter((-5.0, y), Path(0.0, 60.0), 6.0, 2.0, 1.7, wall_per_mm=0.3, filling=0.0)
    _, empty = transmission(replace(recipe, catheter=shaft, supersampling=8, substeps=8))
    column = -np.log(empty[:, empty.shape[1] // 2])
    cell = recipe.mm_per_px / 8
    d = (np.arange(column.size) + 0.5) * cell - recipe.mm_per_px / 2 - y
    wall = 2 * (np.sqrt(np.maximum(1 - d**2, 0)) - np.sqrt(np.maximum(0.85**2 - d**2, 0)))
    np.testing.assert_allclose(column, 0.3 * wall, atol=0.02)
    assert column.sum() * cell == pytest.approx(0.3 * math.pi * (1 - 0.85**2), rel=1e-3)
    _, full = transmission(replace(recipe, catheter=replace(shaft, filling=1.0)))
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    expected = math.exp(-0.3 * 0.3 - 1.7 * contrast)
    assert full.min() == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("offset", [0.0, 0.4, -0.8])
def test_guide_wire_takes_the_place_of_contrast(straight, offset):
    recipe = straight(3.0, 0.0, supersampling=8, substeps=8)
    wire = GuideWire(("segment",), 0.36, 0.9, offset=offset)
    plain, _ = transmission(recipe)
    wired, _ = transmission(replace(recipe, guide_wire=wire))
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    cell = recipe.mm_per_px / recipe.supersampling
    middle = plain.shape[1] // 2
    extra = np.log(plain[:, middle] / wired[:, middle]).sum() * cell
    assert extra == pytest.approx(math.pi * 0.18**2 * (0.9 - contrast), rel=0.01)
    again, _ = transmission(replace(recipe, guide_wire=wire, second_wire=replace(wire, offset=offset + 0.15)))
    both = np.log(plain[:, middle] / again[:, middle]).sum() * cell
    assert both == pytest.approx(2 * extra, rel=0.01)


def test_contrast_front(straight):
    recipe = replace(straight(3.0, 0.0, length_mm=19.0), front_mm=9.5, front_width_mm=4.0)
    vessels, _ = transmission(recipe)
    full, _ = transmission(replace(recipe, front_mm=None))
    row = vessels.shape[0] // 2
    share = np.log(vessels[row, 4:-4]) / np.log(full[row, 4:-4])
    s = (np.arange(vessels.shape[1])[4:-4] + 0.5) * 0.1 - 0.1 - recipe.branching_point_mm[0]
    assert (np.diff(share) < 1e-6).all()
    np.testing.assert_allclose(share[s < 7.3], 1, atol=1e-6)
    assert share[np.abs(s - 9.5).argmin()] == pytest.approx(0.5, abs=0.03)
    np.testing.assert_allclose(share[s > 11.7], 0, atol=1e-6)
