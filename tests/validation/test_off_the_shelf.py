"""The comparator measures what it says, and shares no code with the measurement."""

import subprocess
import sys

import numpy as np
import pytest

from qca.phantom import random_bifurcation, random_segment, render
from qca.validation.off_the_shelf import _half_width, read_plainly


@pytest.mark.parametrize(
    ("diameter_mm", "expected_mm"), [(1.0, 0.828), (1.5, 1.236), (2.0, 1.660), (3.0, 2.532), (4.0, 3.408), (5.0, 4.284)]
)
def test_half_width_of_a_blurred_cylinder(diameter_mm, expected_mm):
    # numerical convolution of the chord with a Gaussian of 0.15 mm (grid 0.002 mm); an unblurred cylinder is at half
    # depth at cos(30 deg) = 0.866 of its diameter, elementary
    mm_per_px = 0.1
    offset = np.arange(-50, 50.01, 0.25)
    fine = np.arange(-6.0, 6.0005, 0.002)
    chord = 2 * np.sqrt(np.clip((diameter_mm / 2) ** 2 - fine**2, 0, None))
    kernel = np.exp(-0.5 * (np.arange(-0.9, 0.9005, 0.002) / 0.15) ** 2)
    blurred = np.convolve(chord, kernel / kernel.sum(), mode="same")
    row = -np.interp(offset * mm_per_px, fine, blurred)
    assert _half_width(row, offset) * mm_per_px == pytest.approx(expected_mm, abs=0.006)


def test_reads_a_clear_phantom_decently():
    phantom = render(random_bifurcation(3, photons_per_px=(1e6, 1e6), lesion_share=0.0, spine_share=0.0))
    reading = read_plainly(phantom.frame(), phantom.picks)
    for name, limb in phantom.truth.limbs.items():
        found = reading.limbs[name].reference_px * reading.mm_per_px
        assert found == pytest.approx(limb.reference_mm, rel=0.08), name


def test_reads_a_segment():
    phantom = render(random_segment(4, photons_per_px=(2000, 2000)))
    reading = read_plainly(phantom.frame(), phantom.picks)
    assert list(reading.limbs) == ["segment"]
    assert reading.angles_deg is None
    assert reading.limbs["segment"].reference_px * reading.mm_per_px == pytest.approx(
        phantom.truth.limbs["segment"].reference_mm, rel=0.15
    )


def test_no_code_in_common_with_the_measurement():
    code = (
        "import sys, qca.validation.off_the_shelf as o; from qca.phantom import render, random_segment\n"
        "p = render(random_segment(1)); o.read_plainly(p.frame(), p.picks)\n"
        "print([m for m in sys.modules if m.startswith(('qca.tube', 'qca.tree', 'qca.lumen', 'qca.pipeline'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
