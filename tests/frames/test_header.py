"""The header: every number as pydicom reads it, in every way a header can be written."""

import struct

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.uid import ImplicitVRLittleEndian

from qca.frames import open_frame, probe
from qca.frames.dicom import attributes as at
from qca.frames.dicom.elements import EXPLICIT, Element
from qca.frames.dicom.values import NotANumber, numbers
from tests.frames.files import ENHANCED_XA, NATIVE, XRF, dataset, element, item, items, replace_value, run, write

GEOMETRY = {
    "ImagerPixelSpacing": ["0.184", "0.184"],
    "EstimatedRadiographicMagnificationFactor": "1.3699",
    "DistanceSourceToDetector": "1050.5",
    "DistanceSourceToPatient": "766.8",
    "PositionerPrimaryAngle": "-28.4",
    "PositionerSecondaryAngle": "+2.55e1",
    "PositionerMotion": "STATIC",
    "FrameTime": "66.666667",
}


@pytest.mark.parametrize("syntax", NATIVE)
def test_numbers_are_those_of_pydicom(tmp_path, syntax):
    path = write(tmp_path / "run.dcm", run(), syntax=syntax, PixelSpacing=["0.2", "0.2"], **GEOMETRY)
    ds, geometry = dcmread(path), probe(path).geometry
    assert geometry.imager_pixel_spacing_mm == tuple(map(float, ds.ImagerPixelSpacing))
    assert geometry.pixel_spacing_mm == tuple(map(float, ds.PixelSpacing))
    assert geometry.magnification == float(ds.EstimatedRadiographicMagnificationFactor)
    assert geometry.source_to_detector_mm == float(ds.DistanceSourceToDetector)
    assert geometry.source_to_patient_mm == float(ds.DistanceSourceToPatient)
    assert geometry.primary_angle_deg == float(ds.PositionerPrimaryAngle) == -28.4
    assert geometry.secondary_angle_deg == float(ds.PositionerSecondaryAngle) == 25.5
    assert geometry.frame_time_ms == float(ds.FrameTime)
    record = probe(path)
    assert (record.rows, record.columns, record.count) == (ds.Rows, ds.Columns, ds.NumberOfFrames)


@pytest.mark.parametrize("sop_class", [XRF, "1.2.840.10008.5.1.4.1.1.12.3"])
def test_other_x_ray_classes(tmp_path, sop_class):
    frames = run()
    path = write(tmp_path / "run.dcm", frames, sop_class=sop_class, **GEOMETRY)
    assert np.array_equal(open_frame(path, 2).pixels, frames[2])
    assert open_frame(path, 0).geometry.primary_angle_deg == -28.4


def test_a_single_frame_needs_no_number_and_no_number_of_frames(tmp_path):
    frames = run(frames=1)
    path = write(tmp_path / "still.dcm", frames, NumberOfFrames=None)
    frame = open_frame(path)
    assert np.array_equal(frame.pixels, frames[0])
    assert (frame.index, frame.count) == (0, 1)


def test_a_secondary_capture_is_read_with_a_warning(tmp_path):
    path = write(
        tmp_path / "run.dcm", run(bits=8), sop_class="1.2.840.10008.5.1.4.1.1.7.2", PixelIntensityRelationship="LIN"
    )
    frame = open_frame(path, 0)
    assert frame.intensity == "unknown"
    assert any("secondary capture" in warning for warning in frame.warnings)


@pytest.mark.parametrize("undefined", [False, True])
@pytest.mark.parametrize("syntax", NATIVE[:3])
def test_sequences_with_and_without_length_are_walked_over(tmp_path, syntax, undefined):
    """Items around and inside which other elements and even other pixel data stand."""
    icon = item(Rows=4, Columns=4, BitsAllocated=8, SamplesPerPixel=1, PixelData=b"\1" * 16)
    icon["PixelData"].VR = "OW"
    inner = item(CodeValue="1", CodingSchemeDesignator="DCM", CodeMeaning="x")
    ds = dataset(run(), **GEOMETRY)
    ds.IconImageSequence = items(icon)
    ds.ViewCodeSequence = items(item(ViewModifierCodeSequence=items(inner, inner)), item())
    if undefined:
        for sequence in (
            ds["IconImageSequence"],
            ds["ViewCodeSequence"],
            ds.ViewCodeSequence[0]["ViewModifierCodeSequence"],
        ):
            sequence.is_undefined_length = True
        for one in (*ds.IconImageSequence, *ds.ViewCodeSequence, *ds.ViewCodeSequence[0].ViewModifierCodeSequence):
            one.is_undefined_length_sequence_item = True
    path = write(tmp_path / "run.dcm", run(), syntax=syntax, ds=ds)
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, run()[1])
    assert frame.geometry.magnification == 1.3699
    assert (frame.rows, frame.columns) == run().shape[1:]


def test_a_compressed_icon_is_walked_over(tmp_path):
    path = write(tmp_path / "run.dcm", run(), **GEOMETRY)
    fragments = b"\xfe\xff\x00\xe0\0\0\0\0" + b"\xfe\xff\x00\xe0\4\0\0\0abcd" + b"\xfe\xff\xdd\xe0\0\0\0\0"
    pixel = struct.pack("<HH2sHI", 0x7FE0, 0x0010, b"OB", 0, 0xFFFFFFFF) + fragments
    inside = b"\xfe\xff\x00\xe0" + struct.pack("<I", 0xFFFFFFFF) + pixel + b"\xfe\xff\x0d\xe0\0\0\0\0"
    sequence = struct.pack("<HH2sHI", 0x0088, 0x0200, b"SQ", 0, 0xFFFFFFFF) + inside + b"\xfe\xff\xdd\xe0\0\0\0\0"
    data = path.read_bytes()
    place = data.index(struct.pack("<HH", 0x7FE0, 0x0010))
    path.write_bytes(data[:place] + sequence + data[place:])
    assert np.array_equal(open_frame(path, 2).pixels, run()[2])


def test_an_unknown_sequence_of_undefined_length_is_implicit_inside(tmp_path):
    """UN with undefined length, as some converters write private sequences (PS3.5 section 6.2.2, note 4)."""
    path = write(tmp_path / "run.dcm", run(), **GEOMETRY)
    one = struct.pack("<HHI", 0x0029, 0x1001, 6) + b"abcdef"
    inside = b"\xfe\xff\x00\xe0" + struct.pack("<I", 0xFFFFFFFF) + one + b"\xfe\xff\x0d\xe0\0\0\0\0"
    private = struct.pack("<HH2sHI", 0x0029, 0x1010, b"UN", 0, 0xFFFFFFFF) + inside + b"\xfe\xff\xdd\xe0\0\0\0\0"
    data = path.read_bytes()
    place = data.index(struct.pack("<HH", 0x7FE0, 0x0010))
    path.write_bytes(data[:place] + private + data[place:])
    assert np.array_equal(open_frame(path, 2).pixels, run()[2])


def test_numbers_whose_representation_was_lost(tmp_path):
    """UN in place of DS or US, as after a detour through a node that does not know the attribute."""
    path = write(tmp_path / "run.dcm", run(), **GEOMETRY)
    replace_value(path, 0x00181164, b"0.25\\0.25 ", vr="UN")
    replace_value(path, 0x00280101, struct.pack("<H", 12), vr="UN")
    frame = open_frame(path, 0)
    assert frame.geometry.imager_pixel_spacing_mm == (0.25, 0.25)
    assert frame.detail["bits_stored"] == 12


def test_a_file_written_otherwise_than_its_transfer_syntax_says(tmp_path):
    path = write(tmp_path / "run.dcm", run(), syntax=ImplicitVRLittleEndian, **GEOMETRY)
    replace_value(path, 0x00020010, b"1.2.840.10008.1.2.1\0")
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, run()[1])
    assert "implicit" in str(frame.detail["coding"])


def enhanced(frames, per_frame, shared, **more):
    ds = dataset(frames, sop_class=ENHANCED_XA, **more)
    ds.SharedFunctionalGroupsSequence = items(shared)
    ds.PerFrameFunctionalGroupsSequence = items(*per_frame)
    return ds


def groups(k):
    """Functional groups of frame ``k``: every number different from frame to frame."""
    return item(
        PositionerPositionSequence=items(
            item(PositionerPrimaryAngle=f"{10 + k}", PositionerSecondaryAngle=f"{-20 - k}")
        ),
        ProjectionPixelCalibrationSequence=items(
            item(ObjectPixelSpacingInCenterOfBeam=[0.15 + 0.01 * k, 0.15 + 0.01 * k], BeamAngle=0.0)
        ),
        FrameContentSequence=items(
            item(FrameAcquisitionDateTime=("20010101235959.95", "20010102000000.01", "20010102000000.07")[k])
        ),
        CardiacSynchronizationSequence=items(item(NominalCardiacTriggerDelayTime=float([120, 180, 5][k]))),
    )


SHARED = {
    "FramePixelDataPropertiesSequence": items(
        item(
            ImagerPixelSpacing=["0.2", "0.2"],
            PixelIntensityRelationship="LIN",
            PixelIntensityRelationshipSign=1,
            GeometricalProperties="UNIFORM",
        )
    ),
    "XRayGeometrySequence": items(item(DistanceSourceToDetector="1100", DistanceSourceToIsocenter=800.0)),
    "PositionerPositionSequence": items(item(PositionerPrimaryAngle="0", PositionerSecondaryAngle="0")),
}


@pytest.mark.parametrize("syntax", NATIVE[:3])
def test_enhanced_xa_frame_by_frame_before_shared(tmp_path, syntax):
    frames = run()
    ds = enhanced(frames, [groups(k) for k in range(3)], item(**SHARED))
    path = write(tmp_path / "run.dcm", frames, syntax=syntax, ds=ds)
    for k in range(3):
        frame = open_frame(path, k)
        geometry = frame.geometry
        assert np.array_equal(frame.pixels, frames[k])
        assert geometry.primary_angle_deg == 10 + k
        assert geometry.secondary_angle_deg == -20 - k
        assert geometry.object_pixel_spacing_mm == pytest.approx((0.15 + 0.01 * k,) * 2)
        assert geometry.imager_pixel_spacing_mm == (0.2, 0.2)
        assert geometry.source_to_detector_mm == 1100
        assert geometry.source_to_patient_mm == 800
        assert (frame.intensity, frame.dark_vessels) == ("linear", True)
    record = probe(path)
    assert record.frame_time_ms == pytest.approx(60)
    assert record.frame_times_ms == pytest.approx((0, 60, 120))
    assert record.r_wave_frames == (2,)


def test_enhanced_items_without_length_and_fewer_than_frames(tmp_path):
    frames = run()
    ds = enhanced(frames, [groups(k) for k in range(2)], item(**SHARED))
    ds["PerFrameFunctionalGroupsSequence"].is_undefined_length = True
    for one in ds.PerFrameFunctionalGroupsSequence:
        one.is_undefined_length_sequence_item = True
    path = write(tmp_path / "run.dcm", frames, ds=ds)
    assert open_frame(path, 1).geometry.primary_angle_deg == 11
    assert open_frame(path, 2).geometry.primary_angle_deg == 0
    assert probe(path).r_wave_frames == ()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -0.2, 0.0])
def test_binary_numbers_that_cannot_be(tmp_path, value):
    frames = run()
    calibration = items(item(ObjectPixelSpacingInCenterOfBeam=[value, value]))
    ds = enhanced(frames, [groups(k) for k in range(3)], item(**SHARED))
    ds.PerFrameFunctionalGroupsSequence[1].ProjectionPixelCalibrationSequence = calibration
    path = write(tmp_path / "run.dcm", frames, ds=ds)
    assert open_frame(path, 0).geometry.object_pixel_spacing_mm is not None
    geometry = open_frame(path, 1).geometry
    assert geometry.object_pixel_spacing_mm is None
    assert sum("ignored" in warning for warning in geometry.warnings) == 1


@pytest.mark.parametrize("value", [float("nan"), float("-inf")])
def test_no_binary_value_passes_that_is_not_finite(value):
    raw = Element(at.TRIGGER_DELAY.tag, "FD", struct.pack("<dd", 1.5, value), EXPLICIT)
    with pytest.raises(NotANumber):
        numbers(raw, at.TRIGGER_DELAY)
    assert numbers(Element(at.TRIGGER_DELAY.tag, "FD", struct.pack("<d", 1.5), EXPLICIT), at.TRIGGER_DELAY) == (1.5,)


def test_a_per_frame_sequence_kept_as_unknown(tmp_path):
    frames = run(frames=2)
    ds = enhanced(frames, [groups(k) for k in range(2)], item(**SHARED))
    implicit = write(tmp_path / "implicit.dcm", frames, syntax=ImplicitVRLittleEndian, ds=ds)
    data = implicit.read_bytes()
    place = data.index(struct.pack("<HH", 0x5200, 0x9230))
    length = struct.unpack_from("<I", data, place + 4)[0]
    path = write(tmp_path / "run.dcm", frames, ds=ds)
    replace_value(path, 0x52009230, data[place + 8 : place + 8 + length], vr="UN")
    assert open_frame(path, 1).geometry.primary_angle_deg == 11


def test_header_reading_stays_small_beside_large_private_elements(tmp_path):
    path = write(tmp_path / "run.dcm", run(), **GEOMETRY)
    data = path.read_bytes()
    place = data.index(struct.pack("<HH", 0x7FE0, 0x0010))
    private = element(0x00291010, "OB", b"\xff" * 3_000_000)
    path.write_bytes(data[:place] + private + data[place:])
    assert np.array_equal(open_frame(path, 2).pixels, run()[2])
