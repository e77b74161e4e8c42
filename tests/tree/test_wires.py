"""What a wire is known by."""

import numpy as np
import pytest
import xraydb

from qca.tree.wires import LEAST_AREA_MM2

STEEL = {"Fe": 0.70, "Cr": 0.19, "Ni": 0.11}, 7.9
NITINOL = {"Ni": 0.55, "Ti": 0.45}, 6.45
WATER = {"H": 0.112, "O": 0.888}, 1.0
IODINE = {"I": 1.0}, 0.370
"""Parts by weight and g per ml; that of iodine in undiluted contrast."""


def per_mm(material, kev):
    """Attenuation per mm by xraydb (Newville M): Elam, Ravel and Sieber's tables."""
    parts, density = material
    return density / 10 * sum(part * xraydb.mu_elam(element, kev * 1000) for element, part in parts.items())


def area_mm2(material, kev):
    """Area of the profile of a rod of 0.36 mm that takes the place of contrast, in mm of contrast times mm."""
    y = np.linspace(-0.18, 0.18, 2001)
    chord = 2 * np.sqrt(0.18**2 - y**2)
    contrast = per_mm(IODINE, kev)
    more = per_mm(material, kev) - per_mm(WATER, kev) - contrast
    return np.trapezoid(1 - np.exp(-more * chord), y) / contrast


@pytest.mark.parametrize("kev", [50, 60, 70, 80])
def test_least_area_is_that_of_nitinol_in_undiluted_contrast(kev):
    assert area_mm2(NITINOL, kev) == pytest.approx(LEAST_AREA_MM2, rel=0.18)
    assert area_mm2(STEEL, kev) > 1.3 * LEAST_AREA_MM2
