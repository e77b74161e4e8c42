"""Attenuation against the published tables."""

from __future__ import annotations

import pytest
import xraydb

from qca.phantom.attenuation import contrast_per_mm, iodine_cm2_per_g, water_cm2_per_g, water_per_mm

# Hubbell JH, Seltzer SM: Tables of X-Ray Mass Attenuation Coefficients, NIST Standard Reference Database 126
NIST_CM2_PER_G = {
    30.0: (0.3756, 8.561),
    40.0: (0.2683, 22.10),
    50.0: (0.2269, 12.32),
    60.0: (0.2059, 7.579),
    80.0: (0.1837, 3.510),
    100.0: (0.1707, 1.942),
}


@pytest.mark.parametrize("energy", NIST_CM2_PER_G)
def test_rows_are_those_of_nist(energy):
    water, iodine = NIST_CM2_PER_G[energy]
    assert water_cm2_per_g(energy) == pytest.approx(water, rel=1e-9)
    assert iodine_cm2_per_g(energy) == pytest.approx(iodine, rel=1e-9)


@pytest.mark.parametrize("energy", NIST_CM2_PER_G)
def test_rows_agree_with_xraydb(energy):
    # xraydb (Newville M): Elam, Ravel and Sieber's tables, an independent compilation
    assert iodine_cm2_per_g(energy) == pytest.approx(xraydb.mu_elam("I", energy * 1000), rel=1e-3)
    assert water_cm2_per_g(energy) == pytest.approx(xraydb.material_mu("H2O", energy * 1000, density=1.0), rel=1e-3)


@pytest.mark.parametrize("energy", [31.5, 36.0, 45.0, 55.0, 62.0, 70.0, 90.0])
def test_between_rows_agrees_with_xraydb(energy):
    assert iodine_cm2_per_g(energy) == pytest.approx(xraydb.mu_elam("I", energy * 1000), rel=0.02)
    assert water_cm2_per_g(energy) == pytest.approx(xraydb.material_mu("H2O", energy * 1000, density=1.0), rel=0.03)


def test_k_edge_of_iodine():
    # NIST SRD 126: 6.553 below and 35.82 cm2/g above 33.169 keV
    assert iodine_cm2_per_g(33.168) == pytest.approx(6.553, rel=1e-3)
    assert iodine_cm2_per_g(33.169) == pytest.approx(35.82, rel=1e-9)


def test_contrast_medium():
    # 350 mg/ml: c / 1000 times the NIST coefficient, 4.312 per cm at 50 keV and 2.653 per cm at 60 keV
    assert contrast_per_mm(350.0, 50.0) == pytest.approx(0.4312, rel=1e-3)
    assert contrast_per_mm(350.0, 60.0) == pytest.approx(0.2653, rel=1e-3)
    assert water_per_mm(60.0) == pytest.approx(0.02059, rel=1e-9)


@pytest.mark.parametrize("energy", [29.9, 100.1, float("nan")])
def test_outside_the_table(energy):
    with pytest.raises(ValueError, match="energy_kev must lie between 30 and 100"):
        iodine_cm2_per_g(energy)
