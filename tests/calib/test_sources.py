"""Where a scale can come from.

The order of the header's numbers and what they mean: DICOM PS3.3, 10.7.1 (Basic Pixel Spacing Calibration Macro).
Imager Pixel Spacing is at the front plane of the detector; Pixel Spacing may have been calibrated for the patient's
plane, by FIDUCIAL or GEOMETRY, and is only then different from it; the magnification is the ratio of the source's
distances to detector and patient (C.8.7.5, XA Positioner Module).
"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.sources import (
    HEADER_RELATIVE_SD,
    HeaderNumbers,
    scale_from_catheter,
    scale_from_grid,
    scale_from_header,
    scale_typed,
)
from calib.units import Px

IMAGER = (0.31, 0.30)
CALIBRATED = (0.22, 0.21)


def chosen(**numbers):
    scale = scale_from_header(HeaderNumbers(**numbers))
    return None if scale is None else (scale.source, pytest.approx(scale.mm_per_px))


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        ({"object_pixel_spacing_mm": (0.19, 0.18)}, ("header: object plane", 0.18)),
        (
            {"pixel_spacing_mm": CALIBRATED, "pixel_spacing_calibration_type": "FIDUCIAL"},
            ("header: fiducial", 0.21),
        ),
        (
            {"pixel_spacing_mm": CALIBRATED, "pixel_spacing_calibration_type": " geometry "},
            ("header: geometry", 0.21),
        ),
        (
            {"pixel_spacing_mm": CALIBRATED, "imager_pixel_spacing_mm": IMAGER},
            ("header: calibrated, kind unknown", 0.21),
        ),
        (
            {"imager_pixel_spacing_mm": IMAGER, "magnification": 1.5},
            ("header: isocentre estimate", 0.20),
        ),
        (
            {"imager_pixel_spacing_mm": IMAGER, "source_to_detector_mm": 1050.0, "source_to_patient_mm": 700.0},
            ("header: isocentre estimate", 0.20),
        ),
    ],
    ids=["object plane", "fiducial", "geometry", "corrected", "magnification", "distances"],
)
def test_each_branch(numbers, expected):
    assert chosen(**numbers) == expected


@pytest.mark.parametrize(
    "numbers",
    [
        {},
        {"pixel_spacing_mm": CALIBRATED},
        {"imager_pixel_spacing_mm": IMAGER},
        {"pixel_spacing_mm": IMAGER, "imager_pixel_spacing_mm": IMAGER},
        {"pixel_spacing_mm": (0.31, 0.3001), "imager_pixel_spacing_mm": IMAGER},
        {"pixel_spacing_mm": CALIBRATED, "magnification": 1.5},
        {"imager_pixel_spacing_mm": IMAGER, "source_to_detector_mm": 1050.0},
        {"imager_pixel_spacing_mm": IMAGER, "source_to_patient_mm": 700.0},
        {"magnification": 1.5},
    ],
    ids=[
        "nothing",
        "pixel spacing alone",
        "imager spacing alone",
        "both the same",
        "both the same but for rounding",
        "pixel spacing alone is not divided",
        "no distance to the patient",
        "no distance to the detector",
        "no spacing",
    ],
)
def test_numbers_that_say_nothing_about_the_vessels_plane(numbers):
    assert chosen(**numbers) is None


@pytest.mark.parametrize("kind", ["FIDUCIAL", "GEOMETRY", None])
def test_a_calibrated_spacing_is_never_divided_again(kind):
    numbers = {
        "pixel_spacing_mm": CALIBRATED,
        "imager_pixel_spacing_mm": IMAGER,
        "pixel_spacing_calibration_type": kind,
        "magnification": 1.5,
        "source_to_detector_mm": 1050.0,
        "source_to_patient_mm": 700.0,
    }
    assert scale_from_header(HeaderNumbers(**numbers)).mm_per_px == 0.21


def test_the_same_number_twice_is_divided_once():
    numbers = HeaderNumbers(pixel_spacing_mm=IMAGER, imager_pixel_spacing_mm=IMAGER, magnification=1.5)
    assert scale_from_header(numbers).mm_per_px == pytest.approx(0.20)


def test_the_stated_magnification_wins_over_the_distances():
    numbers = HeaderNumbers(
        imager_pixel_spacing_mm=IMAGER, magnification=1.5, source_to_detector_mm=1200.0, source_to_patient_mm=600.0
    )
    assert scale_from_header(numbers).mm_per_px == pytest.approx(0.20)


def test_order_of_the_sources():
    """Object plane, fiducial, geometry, corrected, estimate: what is nearer to the object wins."""
    everything = {
        "object_pixel_spacing_mm": (0.19, 0.18),
        "pixel_spacing_mm": CALIBRATED,
        "imager_pixel_spacing_mm": IMAGER,
        "magnification": 1.4,
    }
    found = []
    for kind in ("FIDUCIAL", "GEOMETRY", None):
        found.append(chosen(**everything, pixel_spacing_calibration_type=kind)[0])
        without = {k: v for k, v in everything.items() if k != "object_pixel_spacing_mm"}
        found.append(chosen(**without, pixel_spacing_calibration_type=kind)[0])
    assert found == [
        "header: object plane",
        "header: fiducial",
        "header: object plane",
        "header: geometry",
        "header: object plane",
        "header: calibrated, kind unknown",
    ]


def test_uncertainty_and_detail_come_with_a_header_scale():
    scale = scale_from_header(HeaderNumbers(imager_pixel_spacing_mm=IMAGER, magnification=1.5))
    assert scale.relative_sd == pytest.approx(HEADER_RELATIVE_SD["header: isocentre estimate"])
    assert dict(scale.detail) == {"imager_pixel_spacing_mm": [0.31, 0.30], "magnification": 1.5}


def test_every_combination_of_numbers_gives_one_of_the_named_sources_or_none():
    values = {
        "imager_pixel_spacing_mm": IMAGER,
        "pixel_spacing_mm": CALIBRATED,
        "pixel_spacing_calibration_type": "FIDUCIAL",
        "object_pixel_spacing_mm": (0.19, 0.18),
        "magnification": 1.5,
        "source_to_detector_mm": 1050.0,
        "source_to_patient_mm": 700.0,
    }
    possible = {0.18, 0.21, 0.20}  # object plane, calibrated, imager over magnification: nothing is divided twice
    for present in itertools.product((False, True), repeat=len(values)):
        given_values = {k: v for (k, v), there in zip(values.items(), present, strict=True) if there}
        scale = scale_from_header(HeaderNumbers(**given_values))
        assert scale is None or (scale.source in HEADER_RELATIVE_SD and round(scale.mm_per_px, 9) in possible)


def test_catheter_against_monte_carlo():
    scale = scale_from_catheter(Px(10.0, 0.2), 2.0, 0.01, {"french": 6.0})
    rng = np.random.default_rng(3)
    drawn = 2.0 * (1 + 0.01 * rng.normal(size=400_000)) / (10.0 + 0.2 * rng.normal(size=400_000))
    assert scale.mm_per_px == pytest.approx(0.2)
    assert scale.sd_mm_per_px == pytest.approx(drawn.std(), rel=0.01)
    assert (scale.source, scale.detail["french"]) == ("catheter", 6.0)


def test_a_label_that_overstates_moves_all_diameters():
    """Nominal 2.00 mm, true 1.95 mm: +2.56 % on every diameter (2.00 / 1.95)."""
    label, true = (scale_from_catheter(Px(10.0, 0.0), mm, 0.0, {}) for mm in (2.00, 1.95))
    assert 100 * (label.mm_per_px / true.mm_per_px - 1) == pytest.approx(2.56, abs=0.005)


@given(st.floats(0.01, 2.0), st.one_of(st.none(), st.floats(0, 0.01)))
def test_typed(mm_per_px, sd):
    scale = scale_typed(mm_per_px, sd)
    assert scale.mm_per_px == mm_per_px
    assert math.isnan(scale.sd_mm_per_px) if sd is None else scale.sd_mm_per_px == sd
    assert scale.detail["sd_given"] is (sd is not None)


@pytest.mark.parametrize("mm_per_px", [0.0, -0.2, math.nan, math.inf, 1e9, 5.0, 0.005])
def test_a_typed_scale_that_no_frame_has(mm_per_px):
    """5 is px per mm, typed the wrong way round."""
    with pytest.raises(ValueError, match=r"a scale of .* mm per px is outside 0.01 to 2: check it"):
        scale_typed(mm_per_px)


@pytest.mark.parametrize("sd", [-0.01, 0.21, math.nan, math.inf])
def test_a_typed_uncertainty_that_does_not_fit(sd):
    with pytest.raises(ValueError, match=r"an uncertainty of .* mm per px does not fit a scale of 0.2"):
        scale_typed(0.2, sd)


def test_grid():
    """A 10 mm grid that measures 50 +- 0.5 px: 0.2 mm per px, known to 1 %."""
    scale = scale_from_grid(Px(50.0, 0.5), 10.0)
    assert scale.mm_per_px == pytest.approx(0.2)
    assert scale.relative_sd == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("width", "match"), [(0.0, "the measured length must not be zero"), (-3.0, "mm_per_px must be a positive number")]
)
def test_an_object_without_width_gives_no_scale(width, match):
    with pytest.raises(ValueError, match=match):
        scale_from_catheter(Px(width, 0.1), 2.0, 0.01, {})
    with pytest.raises(ValueError, match=match):
        scale_from_grid(Px(width, 0.1), 10.0)
