"""A coded copy measures the same and tells nothing."""

import hashlib

import numpy as np
import pydicom
import pytest
from numpy.testing import assert_array_equal

from qca.errors import InputError
from qca.frames.source import FrameSource, open_frame
from qca.lists.coded_copy import coded_copy, filling
from tests.lists.conftest import SAMPLES

NAMES = ["bifurcation.dcm", "filling_run.dcm", "log_mapped.dcm", "header_scale.dcm", "eight_bit.png", "segment.png"]


def assert_same_frame(one, two):
    a, b = open_frame(one, 0), open_frame(two, 0)
    assert_array_equal(a.pixels, b.pixels)
    assert_array_equal(a.valid, b.valid)
    for name in (
        "index",
        "count",
        "grey_range",
        "dark_vessels",
        "intensity",
        "grey_rule",
        "pixel_aspect",
        "geometry",
        "lossy",
    ):
        assert getattr(a, name) == getattr(b, name), name


@pytest.mark.parametrize("name", NAMES)
def test_samples_measure_the_same(tmp_path, name):
    copy = coded_copy(SAMPLES / name, tmp_path, "K7Q2ZX")
    assert copy.name.startswith("K7Q2ZX.")
    assert_same_frame(SAMPLES / name, copy)
    assert FrameSource(SAMPLES / name).record.frame_times_ms == FrameSource(copy).record.frame_times_ms


PERSONAL = {
    "PatientName": "DOE^JANE",
    "PatientID": "MRN-4711",
    "PatientBirthDate": "19500101",
    "InstitutionName": "SECRET HOSPITAL",
    "ReferringPhysicianName": "WHO^DOCTOR",
    "StudyDate": "20240517",
    "AcquisitionDateTime": "20240517101530",
    "StationName": "LAB7SECRET",
    "AccessionNumber": "ACC4711",
    "StudyDescription": "SECRET STUDY",
    "ImageComments": "SECRET COMMENT",
    "DeviceSerialNumber": "SERIAL4711",
}


@pytest.mark.parametrize("name", ["bifurcation.dcm", "filling_run.dcm"])
def test_nothing_personal_is_left(tmp_path, name):
    data = pydicom.dcmread(SAMPLES / name)
    for keyword, value in PERSONAL.items():
        setattr(data, keyword, value)
    data.add_new(0x00091001, "LO", "SECRET PRIVATE")
    item = pydicom.Dataset()
    item.PatientName = "DOE^NESTED"
    data.ReferencedPatientSequence = [item]
    data.file_meta.SourceApplicationEntityTitle = "SECRETAE"
    old_ids = [
        str(data.get(name)) for name in ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID") if data.get(name)
    ]
    source = tmp_path / "DOE^JANE.dcm"
    data.save_as(source)
    copy = coded_copy(source, tmp_path, "K7Q2ZX")
    content = copy.read_bytes()
    for value in (*PERSONAL.values(), "SECRET", "NESTED", *old_ids):
        assert value.encode() not in content, value
    assert_same_frame(source, copy)
    back = pydicom.dcmread(copy)
    assert back.PatientID == "K7Q2ZX"


def test_dates_of_single_frames_become_intervals(tmp_path):
    data = pydicom.dcmread(SAMPLES / "filling_run.dcm")
    frames = []
    for number in range(int(data.NumberOfFrames)):
        content, frame = pydicom.Dataset(), pydicom.Dataset()
        content.FrameAcquisitionDateTime = f"202405171015{30 + number}.250000"
        frame.FrameContentSequence = [content]
        frames.append(frame)
    data.PerFrameFunctionalGroupsSequence = frames
    source = tmp_path / "run.dcm"
    data.save_as(source)
    copy = pydicom.dcmread(coded_copy(source, tmp_path, "K7Q2ZX"))
    times = [str(f.FrameContentSequence[0].FrameAcquisitionDateTime) for f in copy.PerFrameFunctionalGroupsSequence]
    assert times[:2] == ["19700101000000.000000", "19700101000001.000000"]
    assert b"20240517" not in (tmp_path / "K7Q2ZX.dcm").read_bytes()


def test_png_text_is_dropped_and_the_pixels_are_kept(tmp_path):
    from PIL import Image, PngImagePlugin

    pixels = np.arange(48, dtype=np.uint8).reshape(6, 8)
    note = PngImagePlugin.PngInfo()
    note.add_text("Description", "DOE^JANE")
    note.add_itxt("Title", "SECRET HOSPITAL")
    Image.fromarray(pixels).save(tmp_path / "a.png", pnginfo=note)
    copy = coded_copy(tmp_path / "a.png", tmp_path, "K7Q2ZX")
    assert b"DOE" not in copy.read_bytes()
    assert b"SECRET" not in copy.read_bytes()
    with Image.open(copy) as image:
        image.verify()
    assert_same_frame(tmp_path / "a.png", copy)


@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
def test_tiff_pages_are_kept_and_its_texts_dropped(tmp_path, photometric):
    import tifffile

    pixels = np.arange(2 * 40 * 30, dtype=np.uint16).reshape(2, 40, 30) * 7
    tifffile.imwrite(
        tmp_path / "a.tif", pixels, photometric=photometric, description="DOE^JANE", software="SECRET", metadata=None
    )
    copy = coded_copy(tmp_path / "a.tif", tmp_path, "K7Q2ZX")
    assert b"DOE" not in copy.read_bytes()
    assert b"SECRET" not in copy.read_bytes()
    one, two = FrameSource(tmp_path / "a.tif"), FrameSource(copy)
    assert one.count == two.count == 2
    for index in range(2):
        assert_array_equal(one.pixels(index), two.pixels(index))
        assert_array_equal(one.frame(index).pixels, two.frame(index).pixels)


@pytest.mark.parametrize("name", ["bifurcation.dcm", "eight_bit.png"])
def test_two_copies_of_one_frame_are_two_files(tmp_path, name):
    copies = [coded_copy(SAMPLES / name, tmp_path, code) for code in ("K7Q2ZX", "B3DDRT")]
    digests = {hashlib.sha256(copy.read_bytes()).hexdigest() for copy in copies}
    assert len(digests) == 2
    again = tmp_path / "again"
    again.mkdir()
    assert coded_copy(SAMPLES / name, again, "K7Q2ZX").read_bytes() == copies[0].read_bytes()


def test_sizes_tell_little(tmp_path):
    """Thirty frames that pack differently well: their sizes all differ, those of their copies hardly do."""
    from PIL import Image

    rng = np.random.default_rng(5)
    sizes: dict[str, set[int]] = {"plain": set(), "png": set(), "tif": set(), "dcm": set()}
    for number in range(30):
        pixels = rng.integers(0, 40 + number, (256, 256)).astype(np.uint8)
        source = tmp_path / f"{number}.png"
        Image.fromarray(pixels).save(source)
        Image.fromarray(pixels).save(tmp_path / f"{number}.tif")
        data = pydicom.dcmread(SAMPLES / "bifurcation.dcm")
        data.Rows, data.Columns, data.BitsAllocated, data.BitsStored, data.HighBit = 256, 256, 8, 8, 7
        data.compress(pydicom.uid.RLELossless, pixels, generate_instance_uid=False)
        data.save_as(tmp_path / f"{number}.dcm")
        sizes["plain"].add(source.stat().st_size)
        for ending in ("png", "tif", "dcm"):
            copy = coded_copy(tmp_path / f"{number}.{ending}", tmp_path, f"K{number:05d}")
            assert_array_equal(open_frame(copy, 0).pixels, pixels)
            assert copy.stat().st_size <= 1.3 * (tmp_path / f"{number}.{ending}").stat().st_size + 4096
            sizes[ending].add(copy.stat().st_size)
    assert len(sizes["plain"]) == 30
    assert all(len(sizes[ending]) <= 4 for ending in ("png", "tif", "dcm")), sizes


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 65535, 65536, 65537, 10**9])
def test_filling(size):
    step = max(1 << max((size + 12).bit_length() - 3, 0), 4096)
    assert (size + 12 + filling(size, 12)) % step == 0
    assert filling(size, 12) <= max(4096, (size + 12) / 4)


def test_what_is_no_frame_is_not_copied(tmp_path):
    (tmp_path / "a.png").write_bytes(b"hello")
    with pytest.raises(InputError, match="not a DICOM, PNG or TIFF"):
        coded_copy(tmp_path / "a.png", tmp_path, "K7Q2ZX")
    assert [path.name for path in tmp_path.iterdir()] == ["a.png"]
