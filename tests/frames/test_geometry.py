"""Numbers about scale and view: taken, left out, or doubted in plain words."""

import pytest

from qca.frames import open_frame, probe
from tests.frames.files import replace_value, run, write

SOUND = {
    "ImagerPixelSpacing": ["0.2", "0.2"],
    "EstimatedRadiographicMagnificationFactor": "1.4",
    "DistanceSourceToDetector": "1050",
    "DistanceSourceToPatient": "750",
}


def geometry(tmp_path, **attributes):
    return probe(write(tmp_path / "run.dcm", run(), **(SOUND | attributes))).geometry


def test_sound_numbers_raise_no_doubt(tmp_path):
    found = geometry(tmp_path, FieldOfViewShape="RECTANGLE", FieldOfViewDimensions=["5", "8"])
    assert found.warnings == ()
    assert found.magnification == 1.4


@pytest.mark.parametrize(
    ("attributes", "word"),
    [
        ({"EstimatedRadiographicMagnificationFactor": "1.43"}, "magnification differs|magnification 1.430 differs"),
        ({"FieldOfViewShape": "RECTANGLE", "FieldOfViewDimensions": ["10", "16"]}, "resized"),
        ({"FieldOfViewShape": "ROUND", "FieldOfViewDimensions": "30"}, "resized"),
        ({"ImagerPixelSpacing": ["0.7", "0.7"]}, "Imager Pixel Spacing in the header is 0.7 by 0.7, which is unusual"),
        (
            {"DistanceSourceToDetector": "1600", "EstimatedRadiographicMagnificationFactor": "2.13"},
            "1600, which is unu",
        ),
        (
            {
                "DistanceSourceToDetector": "990",
                "DistanceSourceToPatient": "396",
                "EstimatedRadiographicMagnificationFactor": "2.5",
            },
            "396, which is unusual",
        ),
        ({"PixelSpacing": ["0.21", "0.21"]}, "magnification below 1"),
        ({"ImagerPixelSpacing": ["0.2", "0.3"]}, "not square: 0.6667"),
        ({"DetectorPrimaryAngle": "12"}, "Detector Primary Angle is 12 degrees"),
        ({"PositionerMotion": "DYNAMIC"}, "gantry moved"),
        ({"TableMotion": "DYNAMIC"}, "table moved"),
    ],
)
def test_what_contradicts_is_kept_with_a_warning(tmp_path, attributes, word):
    found = geometry(tmp_path, **attributes)
    assert len(found.warnings) == 1
    assert any(part in found.warnings[0] for part in word.split("|"))
    assert found.imager_pixel_spacing_mm is not None
    assert found.source_to_detector_mm is not None


@pytest.mark.parametrize(
    ("tag", "field", "value"),
    [
        (0x00181164, "imager_pixel_spacing_mm", b"0.2 mm\\0.2 mm"),
        (0x00181164, "imager_pixel_spacing_mm", b"0,2\\0,2 "),
        (0x00181164, "imager_pixel_spacing_mm", b"nan\\nan "),
        (0x00181164, "imager_pixel_spacing_mm", b"inf\\inf "),
        (0x00181164, "imager_pixel_spacing_mm", b"-0.2\\-0.2 "),
        (0x00181164, "imager_pixel_spacing_mm", b"0\\0 "),
        (0x00181164, "imager_pixel_spacing_mm", b"0.2 "),
        (0x00181164, "imager_pixel_spacing_mm", b"0.2\\0.2\\0.2 "),
        (0x00181164, "imager_pixel_spacing_mm", b"1e999\\1e999 "),
        (0x00181164, "imager_pixel_spacing_mm", b"1e30\\1e30 "),
        (0x00181164, "imager_pixel_spacing_mm", b"0_2\\0_2 "),
        (0x00181110, "source_to_detector_mm", b"-1000 "),
        (0x00181110, "source_to_detector_mm", b"105.0.0 "),
        (0x00181110, "source_to_detector_mm", b"99999999999999999999"),
        (0x00181111, "source_to_patient_mm", b"75"),
        (0x00181111, "source_to_patient_mm", b"\xff\xfe"),
        (0x00181114, "magnification", b"0.1 "),
        (0x00181114, "magnification", b"NaN "),
    ],
)
def test_what_cannot_be_is_left_out_with_a_warning(tmp_path, tag, field, value):
    path = write(tmp_path / "run.dcm", run(), **SOUND)
    found = probe(replace_value(path, tag, value)).geometry
    assert getattr(found, field) is None
    assert sum("ignored" in warning for warning in found.warnings) == 1


def test_distances_that_exclude_each_other_are_both_left_out(tmp_path):
    found = geometry(tmp_path, DistanceSourceToDetector="740", EstimatedRadiographicMagnificationFactor="1.4")
    assert found.source_to_detector_mm is None
    assert found.source_to_patient_mm is None
    assert any("behind the detector" in warning for warning in found.warnings)


def test_a_damaged_number_is_never_quoted_when_it_is_text(tmp_path):
    path = write(tmp_path / "run.dcm", run(), **SOUND)
    found = probe(replace_value(path, 0x00181164, b"Ash^Rowan 1234 ")).geometry
    assert found.imager_pixel_spacing_mm is None
    assert not any("Ash" in warning or "1234" in warning for warning in found.warnings)


@pytest.mark.parametrize(("stated", "kept"), [("FIDUCIAL", "FIDUCIAL"), ("GEOMETRY", "GEOMETRY"), ("BY EYE", None)])
def test_calibration_type(tmp_path, stated, kept):
    found = geometry(tmp_path, PixelSpacing=["0.15", "0.15"], PixelSpacingCalibrationType=stated)
    assert found.pixel_spacing_calibration_type == kept
    assert found.pixel_spacing_mm == (0.15, 0.15)


@pytest.mark.parametrize(
    ("increments", "angles"),
    [
        (["2.5"], (10, 12.5, 15)),  # one value: average step per frame
        (["0", "4", "6"], (10, 14, 16)),  # one per frame: offsets from the first angle, not from the frame before
        (["0", "4"], (10, 14, None)),
        (["0", "400", "6"], (10, None, 16)),
    ],
)
def test_angles_of_a_rotating_gantry(tmp_path, increments, angles):
    """PS3.3 C.8.7.5.1.3."""
    path = write(
        tmp_path / "run.dcm",
        run(),
        PositionerMotion="DYNAMIC",
        PositionerPrimaryAngle="10",
        PositionerPrimaryAngleIncrement=increments,
        PositionerSecondaryAngle="-5",
        PositionerSecondaryAngleIncrement="0",
    )
    assert tuple(open_frame(path, k).geometry.primary_angle_deg for k in range(3)) == angles
    assert open_frame(path, 2).geometry.secondary_angle_deg == -5


@pytest.mark.parametrize(
    ("attributes", "aspect"),
    [
        ({}, 1.0),
        ({"ImagerPixelSpacing": ["0.2", "0.25"]}, 0.8),
        ({"ImagerPixelSpacing": ["0.2", "0.25"], "PixelSpacing": ["0.15", "0.15"]}, 1.0),
        ({"ImagerPixelSpacing": None, "PixelAspectRatio": ["6", "5"]}, 1.2),
        ({"ImagerPixelSpacing": None, "PixelAspectRatio": ["0", "5"]}, 1.0),
        ({"ImagerPixelSpacing": ["0.2", "0.2"], "PixelAspectRatio": ["6", "5"]}, 1.0),
    ],
)
def test_pixels_that_are_not_square(tmp_path, attributes, aspect):
    wanted = {key: value for key, value in (SOUND | attributes).items() if value is not None}
    frame = open_frame(write(tmp_path / "run.dcm", run(), **wanted), 0)
    assert frame.pixel_aspect == pytest.approx(aspect)
    assert any("not square" in warning for warning in frame.geometry.warnings) is (aspect != 1)


@pytest.mark.parametrize(
    ("attributes", "step", "times"),
    [
        ({"FrameTime": "40"}, 40, (0, 40, 80)),
        ({"FrameTimeVector": ["0", "30", "50"]}, 40, (0, 30, 80)),
        ({"FrameTimeVector": ["0", "30", "50"], "FrameTime": "40"}, 40, (0, 30, 80)),
        ({"FrameTimeVector": ["0", "30"], "FrameTime": "40"}, 40, (0, 40, 80)),
        ({"CineRate": "25"}, 40, (0, 40, 80)),
        ({"FrameTime": "0"}, None, ()),
        ({"FrameTime": "-40"}, None, ()),
        ({}, None, ()),
    ],
)
def test_time_between_frames(tmp_path, attributes, step, times):
    record = probe(write(tmp_path / "run.dcm", run(), **attributes))
    assert record.frame_time_ms == step == record.geometry.frame_time_ms
    assert record.frame_times_ms == times


def test_r_waves_count_from_one_in_the_file_and_from_zero_here(tmp_path):
    record = probe(write(tmp_path / "run.dcm", run(frames=8), RWavePointer=[2, 7, 40]))
    assert record.r_wave_frames == (1, 6)
    assert any("R waves" in warning for warning in record.geometry.warnings)
