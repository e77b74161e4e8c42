"""measure(): sources of scale, grey scales, shutters, saturation, and what a reading is as an object."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from qca.document import reading_text
from qca.flags import FLAGS
from qca.frames.frame import HeaderGeometry
from qca.phantom import render
from qca.pipeline import measure
from qca.settings import DEFAULT_SETTINGS


def codes(reading):
    return {flag.code for flag in reading.flags}


@pytest.fixture(scope="module")
def reading(tube):
    """The segment with a typed scale of 0.2 mm per px, known to 1 %."""
    frame, picks, _ = tube
    return measure(frame, picks)


def test_the_segment_itself(reading, tube):
    limb, true = reading.limbs["segment"], tube[2].limbs["segment"]
    assert abs(limb.mld_mm - true.mld_mm) < 4 * limb.mld_sd_mm < 0.4
    assert abs(limb.reference_mm - true.reference_mm) < 4 * limb.reference_sd_mm < 0.4
    assert abs(limb.ds_percent - true.ds_percent) < 4 * limb.ds_sd_percent < 16
    assert reading.angles is None
    assert reading.medina is None
    assert reading.branching_point_px is None
    assert reading.carina_px is None
    assert math.isnan(limb.law_reference_px)


# --- scale ---------------------------------------------------------------------------------------------------------


def lengths(limb, unit):
    return {f.name: getattr(limb, f.name) for f in dataclasses.fields(limb) if f.name.endswith(f"_{unit}")}


def test_without_a_scale_millimetres_are_unknown_and_pixels_are_there(tube, reading):
    frame, picks, _ = tube
    bare = measure(frame, replace(picks, mm_per_px=None, mm_per_px_sd=None))
    limb = bare.limbs["segment"]
    assert bare.scale is None
    assert codes(bare) == {"scale_missing"}
    assert all(math.isnan(v) for v in lengths(limb, "mm").values())
    assert all(math.isfinite(v) for name, v in lengths(limb, "px").items() if not name.startswith("law_"))
    for name in ("position_mm", "diameter_mm", "diameter_sd_mm", "reference_mm"):
        assert np.isnan(getattr(limb.profile, name)).all()
    for name, value in lengths(limb, "px").items():
        assert value == pytest.approx(lengths(reading.limbs["segment"], "px")[name], nan_ok=True), name
    assert limb.ds_percent == reading.limbs["segment"].ds_percent


def test_a_typed_scale_with_its_uncertainty(reading):
    limb = reading.limbs["segment"]
    assert (reading.scale.mm_per_px, reading.scale.sd_mm_per_px, reading.scale.source) == (0.2, 0.002, "typed in")
    assert codes(reading) == set()
    assert limb.mld_sd_mm == pytest.approx(math.hypot(0.2 * limb.mld_sd_px, 0.002 * limb.mld_px))


def test_a_typed_scale_without_uncertainty_says_so(tube, reading):
    frame, picks, _ = tube
    bare = measure(frame, replace(picks, mm_per_px_sd=None))
    assert math.isnan(bare.scale.sd_mm_per_px)
    assert codes(bare) == {"scale_unstated_sd"}
    limb = bare.limbs["segment"]
    assert limb.mld_mm == reading.limbs["segment"].mld_mm
    assert limb.mld_sd_mm == pytest.approx(0.2 * limb.mld_sd_px)  # the measurement's own part


def test_the_scale_does_not_enter_a_percentage(tube, reading):
    frame, picks, _ = tube
    other = measure(frame, replace(picks, mm_per_px=0.31, mm_per_px_sd=0.1)).limbs["segment"]
    limb = reading.limbs["segment"]
    assert (other.ds_percent, other.ds_sd_percent) == (limb.ds_percent, limb.ds_sd_percent)
    assert other.mld_mm == pytest.approx(1.55 * limb.mld_mm)


def test_the_headers_scale(tube, reading):
    """Imager spacing 0.30 mm, distances 1050 and 700 mm: 0.20 mm in the isocentre (DICOM PS3.3, 10.7.1)."""
    frame, picks, _ = tube
    geometry = HeaderGeometry(
        imager_pixel_spacing_mm=(0.30, 0.30), source_to_detector_mm=1050.0, source_to_patient_mm=700.0
    )
    found = measure(
        replace(frame, geometry=geometry), replace(picks, mm_per_px=None, mm_per_px_sd=None, scale="header")
    )
    assert found.scale.mm_per_px == pytest.approx(0.2)
    assert found.scale.source == "header: isocentre estimate"
    assert codes(found) == {"scale_header"}
    assert found.limbs["segment"].mld_mm == pytest.approx(reading.limbs["segment"].mld_mm)
    assert found.limbs["segment"].mld_sd_mm > reading.limbs["segment"].mld_sd_mm  # 5 % instead of 1 %


def test_a_header_is_not_used_unless_asked_for(tube):
    frame, picks, _ = tube
    geometry = HeaderGeometry(pixel_spacing_mm=(0.2, 0.2), pixel_spacing_calibration_type="FIDUCIAL")
    found = measure(replace(frame, geometry=geometry), replace(picks, mm_per_px=None, mm_per_px_sd=None))
    assert found.scale is None


def test_a_header_that_contradicts_the_catheter(forked):
    frame, picks, _ = forked
    geometry = HeaderGeometry(pixel_spacing_mm=(0.26, 0.26), pixel_spacing_calibration_type="FIDUCIAL")
    found = measure(replace(frame, geometry=geometry), picks)
    assert "scale_disagrees" in codes(found)
    assert found.scale.source == "catheter"
    assert found.scale.detail["header_difference"] == pytest.approx(found.scale.mm_per_px / 0.26 - 1)


def test_a_filled_lumen_of_known_size(fork):
    """A wall that does not show: the width of the contrast is that of the lumen, here 1.7 mm."""
    shaft = replace(fork().catheter, wall_per_mm=0.0)
    phantom = render(fork(catheter=shaft))
    picks = replace(phantom.picks, french=None, catheter_mm=1.7, catheter_feature="filled_lumen")
    found = measure(phantom.frame(), picks)
    assert abs(found.scale.mm_per_px - 0.2) < 4 * found.scale.sd_mm_per_px
    assert found.scale.detail["feature"] == "filled_lumen"
    assert found.scale.detail["width_px"] == pytest.approx(8.5, rel=0.04)
    assert "catheter_small" in codes(found)  # 1.7 mm are 5.1 French


# --- pixels --------------------------------------------------------------------------------------------------------


def test_pixels_that_are_not_square(segment, with_pixels, alike):
    """The same tube on rows 1.2 times as far apart as columns: millimetres within 2 %."""
    phantom = render(segment(photons_per_px=20_000.0))
    frame, picks = phantom.frame(), replace(phantom.picks, mm_per_px=0.2, mm_per_px_sd=0.002)
    rows = int((frame.rows - 1) / 1.2)
    r, c = np.mgrid[0:rows, 0 : frame.columns].astype(float)
    squeezed = with_pixels(frame, map_coordinates(frame.pixels, [1.2 * r, c], order=3), pixel_aspect=1.2)
    flat = replace(picks, start=(picks.start[0], picks.start[1] / 1.2), end=(picks.end[0], picks.end[1] / 1.2))
    one, other = measure(frame, picks), measure(squeezed, flat)
    assert "oblique_pixels" in codes(other)
    for field in ("mld_mm", "reference_mm", "length_mm"):
        alike(one, other, field, 0.02 * getattr(one.limbs["segment"], field))
    alike(one, other, "ds_percent", 1.5)
    # places are in stored pixels: the centreline runs through the picks as given
    profile = other.limbs["segment"].profile
    ends = np.array([[profile.x_px[i], profile.y_px[i]] for i in (0, -1)])
    assert np.hypot(*(ends - [flat.start, flat.end]).T).max() < 3


@pytest.mark.parametrize("dark_vessels", [None, False])
def test_inverted_grey_levels(tube, reading, with_pixels, alike, dark_vessels):
    frame, picks, _ = tube
    bright = with_pixels(frame, 4095.0 - frame.pixels, dark_vessels=dark_vessels)
    found = measure(bright, picks)
    assert found.fit["vessels"] == "bright"
    assert reading.fit["vessels"] == "dark"
    for field in ("mld_px", "reference_px", "lesion_length_px"):
        alike(found, reading, field, 0.02)


def test_a_shutter_over_the_vessels_end(tube, reading, with_pixels):
    """Pixels under it are not looked at, whatever their value, and the limb says so."""
    frame, picks, _ = tube
    valid = np.ones(frame.pixels.shape, dtype=bool)
    valid[:, 125:] = False
    found = [measure(with_pixels(frame, np.where(valid, frame.pixels, v), valid), picks) for v in (0.0, 4000.0)]
    for one in found:
        assert "outside_valid" in codes(one)
        limb = one.limbs["segment"]
        assert abs(limb.mld_px - reading.limbs["segment"].mld_px) < 3 * limb.mld_sd_px
    assert found[0].limbs["segment"].mld_px == pytest.approx(found[1].limbs["segment"].mld_px, abs=1e-9)


def test_a_shutter_elsewhere_changes_nothing(tube, reading, with_pixels, alike):
    frame, picks, _ = tube
    valid = np.ones(frame.pixels.shape, dtype=bool)
    valid[:8, :8] = False
    found = measure(with_pixels(frame, frame.pixels, valid), picks)
    assert codes(found) == set()
    alike(found, reading, "mld_px", 0.02)


@pytest.mark.parametrize("end", ["dark", "bright"])
def test_grey_levels_cut_off(tube, with_pixels, end):
    frame, picks, _ = tube
    low, high = np.quantile(frame.pixels, [0.06, 0.7])
    cut = np.maximum(frame.pixels, low) if end == "dark" else np.minimum(frame.pixels, high)
    grey_range = (float(cut.min()), 4095.0) if end == "dark" else (0.0, float(cut.max()))
    assert "saturated" in codes(measure(with_pixels(frame, cut, grey_range=grey_range), picks))


@pytest.mark.parametrize("dark", [True, False])
def test_a_grey_scale_that_an_export_cut_short_of_its_range(fork, with_pixels, dark):
    """The dark middle of lumens and catheter is lost at a level that the file's range knows nothing of."""
    phantom = render(fork())
    frame = phantom.frame()
    cut = np.maximum(frame.pixels, np.quantile(frame.pixels, 0.03))
    if not dark:
        frame, cut = with_pixels(frame, 4095.0 - frame.pixels, dark_vessels=False), 4095.0 - cut
    whole = measure(frame, phantom.picks)
    flags = {flag.where for flag in measure(with_pixels(frame, cut), phantom.picks).flags if flag.code == "saturated"}
    assert {"scale", "proximal"} <= flags
    assert "saturated" not in codes(whole)


def test_lossy_compression_is_passed_on(tube):
    frame, picks, _ = tube
    assert codes(measure(replace(frame, lossy=True), picks)) == {"lossy"}


# --- the reading as an object --------------------------------------------------------------------------------------


def parts(value, path="reading"):
    """Every dataclass, mapping, sequence and array inside a value."""
    yield path, value
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from parts(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield from parts(item, f"{path}[{key}]")
    elif isinstance(value, tuple):
        for i, item in enumerate(value):
            yield from parts(item, f"{path}[{i}]")


def test_nothing_in_a_reading_can_be_changed(forked_reading):
    arrays = 0
    for path, value in parts(forked_reading):
        if isinstance(value, np.ndarray):
            arrays += 1
            assert not value.flags.writeable, path
        elif dataclasses.is_dataclass(value):
            with pytest.raises((dataclasses.FrozenInstanceError, TypeError)):
                setattr(value, dataclasses.fields(value)[0].name, None)
        elif isinstance(value, Mapping) and ".detail" not in path:
            with pytest.raises(TypeError):
                value["new"] = 1
    assert arrays == 3 * 12 + 2


def test_same_inputs_same_reading(forked, forked_reading):
    """And the inputs are not touched: read-only pixels are measured, and stay as they were."""
    frame, picks, _ = forked
    assert not frame.pixels.flags.writeable
    before = frame.pixels.copy()
    assert reading_text(measure(frame, picks)) == reading_text(forked_reading)
    assert np.array_equal(frame.pixels, before)


def test_a_reading_carries_what_it_rests_on(tube, reading):
    frame, picks, _ = tube
    assert reading.picks == picks
    assert reading.settings is DEFAULT_SETTINGS
    assert (reading.frame.sha256, reading.frame.rows, reading.frame.columns) == (frame.sha256, 130, 190)
    assert reading.fit["blur_sd_px"] == pytest.approx(math.hypot(1.0, 1 / math.sqrt(12)), rel=0.15)
    assert reading.fit["chi2_per_pixel"] == pytest.approx(1.0, abs=0.15)


def test_settings_are_obeyed(tube, reading):
    """A lesion that ends at 80 % of the reference is shorter than one that ends at 90 %."""
    frame, picks, _ = tube
    settings = replace(DEFAULT_SETTINGS, lesion_edge_fraction=0.8)
    found = measure(frame, picks, settings)
    assert found.settings == settings
    assert found.limbs["segment"].lesion_length_px < reading.limbs["segment"].lesion_length_px - 2
    assert found.limbs["segment"].mld_px == reading.limbs["segment"].mld_px


def test_every_flag_raised_is_in_the_table(tube):
    frame, picks, _ = tube
    found = measure(replace(frame, lossy=True), replace(picks, mm_per_px=None, mm_per_px_sd=None))
    for flag in found.flags:
        assert flag.message == FLAGS[flag.code].short


def test_the_flag_table():
    for code, row in FLAGS.items():
        assert row.code == code
        assert all((row.name, row.short, row.long.endswith("."), row.advice.endswith(".")))
    with pytest.raises(TypeError):
        FLAGS["new"] = None


def test_the_main_vessel_is_known_less_where_it_forks(forked_reading):
    """Rounded corners are not in a union of tubes; two lumens further out they do not matter."""
    profile = forked_reading.limbs["proximal"].profile
    further = int(2 * profile.diameter_px[0] / (profile.position_px[1] - profile.position_px[0]))
    assert profile.diameter_sd_px[0] > 0.02 * profile.diameter_px[0]
    assert profile.diameter_sd_px[further] < 0.8 * profile.diameter_sd_px[0]
