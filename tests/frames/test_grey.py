"""Grey values: stored ones, never windowed; turned or led back to intensity only as the header says."""

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.dataelem import DataElement
from pydicom.pixels import apply_modality_lut

from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import ENHANCED_XA, dataset, item, items, replace_value, run, write


def lut(*, bits=16, entries=4096, first=0, falling=False, **more):
    curve = np.round((2**bits - 1) * (np.exp(np.linspace(0, 3, entries)) - 1) / (np.e**3 - 1)).astype(np.uint16)
    curve = curve[::-1] if falling else curve
    one = item(LUTDescriptor=[entries % 65536, first, bits], **more)
    one.LUTDescriptor = [entries % 65536, first, bits]
    one["LUTDescriptor"].VR = "US"
    one.LUTData = curve.tobytes()
    one["LUTData"].VR = "OW"
    return one


def test_a_window_changes_nothing(tmp_path):
    frames = run()
    path = write(
        tmp_path / "run.dcm", frames, WindowCenter="1000", WindowWidth="50", RescaleSlope="2", RescaleIntercept="-7"
    )
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, frames[1])
    assert frame.grey_rule == "stored values, unchanged"


@pytest.mark.parametrize("bits", [8, 12])
def test_monochrome1_is_turned_about_its_range(tmp_path, bits):
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, PhotometricInterpretation="MONOCHROME1", bits=bits)
    frame = open_frame(path, 1)
    top = 2**bits - 1
    assert np.array_equal(frame.pixels, top - frames[1].astype(float))
    assert frame.grey_rule == f"stored values, turned about their range 0 to {top} (MONOCHROME1)"
    shown = FrameSource(path).pixels(1)
    assert shown.dtype == frames.dtype
    assert np.array_equal(shown, frame.pixels)


@pytest.mark.parametrize(
    ("stated", "intensity"), [("LIN", "linear"), ("LOG", "log"), ("DISP", "unknown"), ("", "unknown")]
)
def test_relation_to_intensity_as_stated(tmp_path, stated, intensity):
    path = write(tmp_path / "run.dcm", run(), PixelIntensityRelationship=stated)
    frame = open_frame(path, 0)
    assert frame.intensity == intensity
    assert frame.dark_vessels is None


def test_log_values_with_a_modality_lut_go_back_to_intensity_as_in_pydicom(tmp_path):
    frames = run()
    path = write(
        tmp_path / "run.dcm",
        frames,
        PixelIntensityRelationship="LOG",
        ModalityLUTSequence=items(lut(ModalityLUTType="US")),
    )
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, apply_modality_lut(frames[1], dcmread(path)))
    assert frame.intensity == "linear"
    assert frame.grey_range == (0, 65535)
    assert "back to X-ray intensity" in frame.grey_rule


def test_a_table_that_does_not_begin_at_zero_as_in_pydicom(tmp_path):
    frames = run()
    path = write(
        tmp_path / "run.dcm",
        frames,
        PixelIntensityRelationship="LOG",
        ModalityLUTSequence=items(lut(entries=2000, first=900)),
    )
    assert np.array_equal(open_frame(path, 1).pixels, apply_modality_lut(frames[1], dcmread(path)))


def test_a_table_for_signed_values_as_in_pydicom(tmp_path):
    frames = run().astype(np.int16) - 2048
    one = lut(entries=4096)
    one["LUTDescriptor"] = DataElement(0x00283002, "SS", [4096, -2048, 16])
    path = write(
        tmp_path / "run.dcm", frames, bits=12, PixelIntensityRelationship="LOG", ModalityLUTSequence=items(one)
    )
    assert np.array_equal(open_frame(path, 1).pixels, apply_modality_lut(frames[1], dcmread(path)))
    one["LUTDescriptor"] = DataElement(0x00283002, "US", [4096, 65536 - 2048, 16])
    other = write(
        tmp_path / "other.dcm", frames, bits=12, PixelIntensityRelationship="LOG", ModalityLUTSequence=items(one)
    )
    assert np.array_equal(open_frame(other, 1).pixels, open_frame(path, 1).pixels)


@pytest.mark.parametrize("stated", ["LIN", "DISP"])
def test_a_modality_lut_of_other_images_is_not_applied(tmp_path, stated):
    frames = run()
    path = write(tmp_path / "run.dcm", frames, PixelIntensityRelationship=stated, ModalityLUTSequence=items(lut()))
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


@pytest.mark.parametrize(
    "broken",
    [
        {"LUTData": b"\0\0" * 4096},
        {"LUTData": b"\0\1" * 100},
        {"LUTDescriptor": [4096, 0, 40]},
        {"LUTDescriptor": [4096, 0]},
        {"LUTData": np.random.default_rng(1).integers(0, 65535, 4096).astype(np.uint16).tobytes()},
    ],
)
def test_a_table_that_cannot_be_is_left_out_with_a_warning(tmp_path, broken):
    one = lut()
    for keyword, value in broken.items():
        vr = one[keyword].VR
        setattr(one, keyword, value)
        one[keyword].VR = vr
    frames = run()
    path = write(tmp_path / "run.dcm", frames, PixelIntensityRelationship="LOG", ModalityLUTSequence=items(one))
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, frames[1])
    assert frame.intensity == "log"
    assert any("cannot be used" in warning for warning in frame.warnings)


def enhanced(tmp_path, frames, photometric="MONOCHROME2", **properties):
    ds = dataset(frames, sop_class=ENHANCED_XA, PhotometricInterpretation=photometric)
    group = item(FramePixelDataPropertiesSequence=items(item(**properties)))
    ds.SharedFunctionalGroupsSequence = items(group)
    return ds, tmp_path / "run.dcm"


@pytest.mark.parametrize(
    ("photometric", "sign", "dark"),
    [
        ("MONOCHROME2", 1, True),  # lower values, less intensity: contrast is dark
        ("MONOCHROME2", -1, False),
        ("MONOCHROME1", -1, True),  # stored the other way round, and turned by us
        ("MONOCHROME1", 1, False),
        ("MONOCHROME2", 0, None),
    ],
)
def test_polarity_of_enhanced_frames(tmp_path, photometric, sign, dark):
    """PS3.3 C.8.11.3.1.2: with sign -1, higher values mean lower intensity, as through contrast agents."""
    ds, path = enhanced(
        tmp_path, run(), photometric, PixelIntensityRelationship="LIN", PixelIntensityRelationshipSign=sign
    )
    assert open_frame(write(path, run(), ds=ds), 0).dark_vessels is dark


@pytest.mark.parametrize(("sign", "falling", "dark"), [(1, False, True), (-1, True, True), (-1, False, False)])
@pytest.mark.parametrize("relationship", ["LOG", "OTHER"])
def test_enhanced_table_to_linear(tmp_path, relationship, sign, falling, dark):
    frames = run()
    ds, path = enhanced(
        tmp_path,
        frames,
        "MONOCHROME1",
        PixelIntensityRelationship=relationship,
        PixelIntensityRelationshipSign=sign,
    )
    to_log, to_linear = lut(LUTFunction="TO_LOG", falling=True), lut(LUTFunction="TO_LINEAR", falling=falling)
    ds.SharedFunctionalGroupsSequence[0].PixelIntensityRelationshipLUTSequence = items(to_log, to_linear)
    frame = open_frame(write(path, frames, ds=ds), 1)
    table = np.frombuffer(to_linear.LUTData, np.uint16)
    assert np.array_equal(frame.pixels, table[frames[1]])
    assert (frame.intensity, frame.dark_vessels) == ("linear", dark)


@pytest.mark.parametrize(("term", "word"), [("HIGH_PASS_FILTER", "high-pass"), ("DIGITAL_SUBTR", "subtracted")])
def test_processing_that_moves_edges_is_said(tmp_path, term, word):
    ds, path = enhanced(
        tmp_path,
        run(),
        PixelIntensityRelationship="LIN",
        PixelIntensityRelationshipSign=1,
        ImageProcessingApplied=[term, "FRAME_AVERAGING"],
    )
    frame = open_frame(write(path, run(), ds=ds), 0)
    assert any(word in warning for warning in frame.warnings)
    assert frame.dark_vessels is (None if term == "DIGITAL_SUBTR" else True)


def test_pixels_are_read_only_and_float(tmp_path):
    frame = open_frame(write(tmp_path / "run.dcm", run()), 0)
    assert frame.pixels.dtype == np.float64
    for array in (frame.pixels, frame.valid):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 0


def test_nothing_that_names_anybody_leaves_the_reader(tmp_path):
    """Identifiers planted where PS3.15 table E.1-1 expects them, and where a damaged file puts them."""
    planted = {
        "PatientName": "Zyx^Planted", "PatientID": "PLANTED-1", "AccessionNumber": "PLANTED-2",
        "StudyDescription": "PLANTED-3", "ReferringPhysicianName": "Planted^R", "InstitutionName": "PLANTED-4",
        "DerivationDescription": "PLANTED-5", "PixelSpacingCalibrationDescription": "PLANTED-6",
        "ImageComments": "PLANTED-7", "AcquisitionDeviceProcessingDescription": "PLANTED-8",
        "StudyInstanceUID": "2.25.987654321", "StudyDate": "19991231", "DeviceSerialNumber": "PLANTED-9",
        "PatientBirthDate": "19290317", "ProtocolName": "PLANTED-10", "ImageType": ["PLANTED", "PRIMARY", "PLANTED"],
        "PixelIntensityRelationship": "PLANTED", "PixelSpacingCalibrationType": "PLANTED",
        "BurnedInAnnotation": "YES",
    }  # fmt: skip
    path = write(tmp_path / "run.dcm", run(), ImagerPixelSpacing=["0.2", "0.2"], FrameTime="40", **planted)
    replace_value(path, 0x00181164, b"Planted^Zyx\\0.2 ")
    replace_value(path, 0x00181063, b"PLANTED-11")
    frame, record = open_frame(path, 0), probe(path)
    said = repr((frame.geometry, frame.detail, frame.warnings, frame.grey_rule, frame.file, record))
    for secret in ("planted", "zyx", "987654321", "1999", "1929", "2.25."):
        assert secret not in said.lower()
    assert any("burned into" in warning for warning in frame.warnings)
