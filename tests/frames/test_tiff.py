"""TIFF: pages of 8 and 16 bit grey as stored, held against tifffile; everything else in one sentence."""

import struct
import time

import numpy as np
import pytest
import tifffile

from qca.errors import InputError, UnsupportedFrame
from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import check_sentence, run


def refused(path, match, kind=InputError, index=0):
    with pytest.raises(kind, match=match) as error:
        open_frame(path, index)
    check_sentence(error)


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "lzw"},
        {"compression": "lzw", "predictor": True},
        {"compression": "deflate"},
        {"compression": "deflate", "predictor": True, "rowsperstrip": 5},
        {"compression": "packbits"},
        {"rowsperstrip": 7},
        {"tile": (16, 16)},
        {"tile": (16, 32), "compression": "deflate", "predictor": True},
        {"bigtiff": True},
        {"photometric": "minisblack", "software": "x" * 50},
    ],
    ids=str,
)
def test_pages_as_tifffile_writes_and_reads_them(tmp_path, options, bits, byteorder):
    frames = run(bits=bits)
    path = tmp_path / "run.tif"
    big = {key: options[key] for key in options if key == "bigtiff"}
    rest = {key: options[key] for key in options if key != "bigtiff"}
    with tifffile.TiffWriter(path, byteorder=byteorder, **big) as writer:
        for frame in frames:
            writer.write(frame, contiguous=False, **rest)
    assert probe(path).count == 3
    for index in range(3):
        frame = open_frame(path, index)
        assert np.array_equal(frame.pixels, frames[index])
        assert np.array_equal(frame.pixels, tifffile.imread(path, key=index))
        assert frame.grey_range == (0, 2**bits - 1)
        assert FrameSource(path).pixels(index).dtype == frames.dtype


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("compression", [None, "deflate"])
def test_equal_channels_count_as_grey(tmp_path, planar, compression):
    grey = run(frames=1, bits=8)[0]
    stacked = np.stack([grey] * 3, -1 if planar == "contig" else 0)
    path = tmp_path / "still.tif"
    tifffile.imwrite(path, stacked, photometric="rgb", planarconfig=planar, compression=compression, rowsperstrip=6)
    assert np.array_equal(open_frame(path).pixels, grey)


def test_colour_is_refused(tmp_path):
    path = tmp_path / "still.tif"
    tifffile.imwrite(path, np.stack([run(frames=1, bits=8)[0]] * 2 + [run(frames=1, bits=8, seed=9)[0]], -1))
    refused(path, "in colour", UnsupportedFrame)


@pytest.mark.parametrize("bits", [8, 16])
def test_white_is_zero_is_turned(tmp_path, bits):
    grey = run(frames=1, bits=bits)[0]
    path = tmp_path / "still.tif"
    tifffile.imwrite(path, grey, photometric="miniswhite")
    frame = open_frame(path)
    assert np.array_equal(frame.pixels, 2**bits - 1 - grey.astype(float))
    assert "white is zero" in frame.grey_rule
    assert np.array_equal(FrameSource(path).pixels(0), frame.pixels)


def test_thumbnails_are_no_frames(tmp_path):
    path = tmp_path / "run.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(run(frames=1)[0])
        writer.write(run(frames=1)[0][::4, ::4], subfiletype=1)
        writer.write(run(frames=2)[1])
    assert probe(path).count == 2
    assert np.array_equal(open_frame(path, 1).pixels, run(frames=2)[1])


def test_pixels_that_are_not_square(tmp_path):
    path = tmp_path / "still.tif"
    tifffile.imwrite(path, run(frames=1)[0], resolution=(100, 80))
    frame = open_frame(path)
    assert frame.pixel_aspect == 1.25
    assert any("not square" in warning for warning in frame.warnings)


@pytest.mark.parametrize(
    ("array", "options", "match"),
    [
        (np.zeros((8, 8), np.float32), {}, "32 bit"),
        (np.zeros((8, 8), np.int16), {}, "signed"),
        (np.zeros((8, 8), np.uint32), {}, "32 bit"),
        (np.zeros((8, 8), bool), {}, "1 bit"),
        (np.zeros((8, 8), np.uint8), {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)}, "neither"),
        (np.zeros((16, 16), np.uint8), {"compression": "jpeg"}, "compressed as JPEG"),
        (np.zeros((8, 8), np.uint8), {"compression": "zstd"}, "compressed as Zstandard"),
    ],
    ids=str,
)
def test_other_kinds_are_refused(tmp_path, array, options, match):
    path = tmp_path / "still.tif"
    tifffile.imwrite(path, array, **options)
    refused(path, match, UnsupportedFrame)


def test_pages_of_different_size_or_depth(tmp_path):
    path = tmp_path / "run.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(np.zeros((8, 8), np.uint8))
        writer.write(np.zeros((8, 9), np.uint8))
    refused(path, "pages of different size", UnsupportedFrame)
    with tifffile.TiffWriter(path) as writer:
        writer.write(np.zeros((8, 8), np.uint8))
        writer.write(np.zeros((8, 8), np.uint16))
    refused(path, "another size or depth", UnsupportedFrame, index=1)


def tiff(path, entries, following=0):
    """A little-endian TIFF of one directory of (tag, type, count, value)."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    path.write_bytes(
        b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + struct.pack("<I", following) + b"\0" * 4000
    )
    return path


PLAIN = {
    256: (3, 1, 40), 257: (3, 1, 24), 258: (3, 1, 8), 259: (3, 1, 1), 262: (3, 1, 1), 273: (4, 1, 200),
    277: (3, 1, 1), 278: (3, 1, 24), 279: (4, 1, 960),
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({256: (4, 1, 60000)}, "24 rows by 60000 columns"),
        ({257: (4, 1, 0)}, "0 rows"),
        ({257: (4, 2**31, 8)}, "values of type 4 for tag 257"),
        ({257: (99, 1, 8)}, "values of type 99"),
        ({273: (4, 1, 10**9)}, "damaged picture data"),
        ({279: (4, 1, 4 * 10**9)}, "damaged picture data"),
        ({279: (4, 1, 10)}, "damaged picture data"),
        ({278: (3, 1, 1)}, "1 strips or tiles where 24"),
        ({278: (3, 1, 0)}, "strips or tiles of 0 rows"),
        ({322: (3, 1, 1), 323: (3, 1, 0)}, "strips or tiles of 0 rows"),
        ({322: (3, 1, 60000), 323: (3, 1, 60000)}, "strips or tiles of 60000 rows"),
        ({277: (3, 1, 9)}, "9 values"),
        ({259: (3, 1, 5), 279: (4, 1, 960)}, "damaged picture data"),
        ({259: (3, 1, 8), 279: (4, 1, 960)}, "damaged picture data"),
        ({266: (3, 1, 2)}, "bit order"),
        ({317: (3, 1, 3)}, "predictor"),
    ],
)
def test_forged_directories(tmp_path, changes, match):
    started = time.process_time()
    assert open_frame(tiff(tmp_path / "good.tif", [(tag, *PLAIN[tag]) for tag in PLAIN])).pixels.shape == (24, 40)
    merged = PLAIN | changes
    refused(tiff(tmp_path / "still.tif", [(tag, *merged[tag]) for tag in sorted(merged)]), match)
    assert time.process_time() - started < 1


def test_very_many_small_tiles(tmp_path):
    merged = PLAIN | {256: (3, 1, 4000), 257: (3, 1, 4000), 322: (3, 1, 1), 323: (3, 1, 1)}
    refused(tiff(tmp_path / "still.tif", [(tag, *merged[tag]) for tag in sorted(merged)]), "more than 4096 tiles")


def test_pages_that_lead_in_a_circle(tmp_path):
    refused(tiff(tmp_path / "still.tif", [(tag, *PLAIN[tag]) for tag in PLAIN], following=8), "lead back")


def test_damaged_files(tmp_path):
    path = tmp_path / "run.tif"
    tifffile.imwrite(path, run(bits=8), photometric="minisblack", compression="lzw")
    whole = path.read_bytes()
    for length in (4, 7, 9, 100, len(whole) // 2):
        path.write_bytes(whole[:length])
        refused(path, "cut short|damaged|not a DICOM", index=2)
    path.write_bytes(b"II*\0" + struct.pack("<I", 10**9))
    refused(path, "no directory")


def test_deflate_bombs_stop_at_the_size_of_the_page(tmp_path):
    import zlib

    coded = zlib.compress(b"\0" * 200_000_000)
    path = tmp_path / "still.tif"
    merged = PLAIN | {259: (3, 1, 8), 279: (4, 1, len(coded)), 273: (4, 1, 200)}
    tiff(path, [(tag, *merged[tag]) for tag in sorted(merged)])
    data = path.read_bytes()
    path.write_bytes(data[:200] + coded)
    started = time.process_time()
    assert open_frame(path).pixels.max() == 0
    assert time.process_time() - started < 0.5
