"""PNG: 8 and 16 bit grey as stored; everything else in one sentence."""

import struct
import time
import zlib

import imagecodecs
import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from qca.errors import InputError, UnsupportedFrame
from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import check_sentence, png_chunk, png_file, run


def picture(bits):
    return run(frames=1, bits=bits)[0]


def refused(path, match, kind=InputError):
    with pytest.raises(kind, match=match) as error:
        open_frame(path)
    check_sentence(error)


@pytest.mark.parametrize("bits", [8, 16])
def test_grey_as_pillow_writes_it(tmp_path, bits):
    path = tmp_path / "still.png"
    Image.fromarray(picture(bits)).save(path)
    frame = open_frame(path)
    assert np.array_equal(frame.pixels, picture(bits))
    assert np.array_equal(frame.pixels, np.asarray(Image.open(path)))
    assert frame.grey_range == (0, 2**bits - 1)
    assert (frame.intensity, frame.dark_vessels, frame.lossy) == ("unknown", None, False)
    assert frame.valid.all()
    assert FrameSource(path).pixels(0).dtype == picture(bits).dtype
    assert (probe(path).rows, probe(path).columns) == (24, 40)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", ["RGB", "RGBA", "LA"])
def test_equal_channels_count_as_grey(tmp_path, bits, channels):
    grey = picture(bits)
    full = np.full_like(grey, 2**bits - 1)
    layers = {"RGB": [grey] * 3, "RGBA": [grey] * 3 + [full], "LA": [grey, full]}[channels]
    path = tmp_path / "still.png"
    path.write_bytes(imagecodecs.png_encode(np.stack(layers, -1)))
    assert np.array_equal(open_frame(path).pixels, grey)


def test_a_palette_of_greys_counts_as_grey(tmp_path):
    path = tmp_path / "still.png"
    Image.fromarray(picture(8)).convert("P").save(path)
    assert np.array_equal(open_frame(path).pixels, np.asarray(Image.open(path).convert("L")))


def test_an_interlaced_picture(tmp_path):
    """Adam7 written by hand: 8 x 8 pixels, seven passes (ISO/IEC 15948, section 8.2)."""
    grey = np.arange(64, dtype=np.uint8).reshape(8, 8)
    passes = [(0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1)]
    body = b"".join(
        b"\0" + row.tobytes() for top, left, down, across in passes for row in grey[top::down, left::across]
    )
    path = png_file(tmp_path / "still.png", (8, 8, 8, 0, 0, 0, 1), body)
    assert np.array_equal(open_frame(path).pixels, grey)


def test_colour_is_refused_with_the_place(tmp_path):
    layers = np.stack([picture(8)] * 3, -1)
    layers[5, 7] = (200, 10, 10)
    path = tmp_path / "still.png"
    path.write_bytes(imagecodecs.png_encode(layers))
    refused(path, "in colour .red, green, blue = 200, 10, 10 at column 7, row 5.", UnsupportedFrame)


def test_transparency_is_refused(tmp_path):
    path = tmp_path / "still.png"
    path.write_bytes(imagecodecs.png_encode(np.stack([picture(8), picture(8)], -1)))
    refused(path, "transparent", UnsupportedFrame)


@pytest.mark.parametrize("bits", [1, 2, 4])
def test_fewer_than_eight_bits_are_refused(tmp_path, bits):
    path = png_file(tmp_path / "still.png", (8, 8, bits, 0, 0, 0, 0), (b"\0" + b"\xff" * bits) * 8)
    refused(path, f"{bits} bit per value", UnsupportedFrame)


def test_text_gamma_and_profiles_are_never_read(tmp_path, monkeypatch):
    """Also when they are bombs: a hundred megabytes of zeros behind 100 kB of profile."""
    import zlib

    info = PngImagePlugin.PngInfo()
    info.add_text("Patient", "Ash Rowan")
    path = tmp_path / "still.png"
    Image.fromarray(picture(8)).save(path, pnginfo=info)
    data = path.read_bytes()
    bomb = png_chunk(b"iCCP", b"x\0\0" + zlib.compress(b"\0" * 100_000_000))
    gamma = png_chunk(b"gAMA", struct.pack(">I", 45455))
    path.write_bytes(data[:33] + bomb + gamma + data[33:])
    decode, seen = imagecodecs.png_decode, []
    monkeypatch.setattr(imagecodecs, "png_decode", lambda data: seen.append(bytes(data)) or decode(data))
    frame = open_frame(path)
    assert len(seen) == 1
    assert not any(kind in seen[0] for kind in (b"iCCP", b"gAMA", b"tEXt", b"Rowan"))
    assert np.array_equal(frame.pixels, picture(8))
    assert "Rowan" not in repr((frame.detail, frame.warnings, probe(path)))


@pytest.mark.parametrize(("across", "down", "aspect"), [(1000, 800, 1.25), (3000, 3000, 1), (0, 5, 1), (100, 1, 1)])
def test_stated_pixel_shape(tmp_path, across, down, aspect):
    """pHYs: pixels per unit across and down (ISO/IEC 15948, section 11.3.5.3)."""
    physical = png_chunk(b"pHYs", struct.pack(">IIB", across, down, 1))
    path = png_file(tmp_path / "still.png", (4, 4, 8, 0, 0, 0, 0), b"\0abcd" * 4, physical)
    frame = open_frame(path)
    assert frame.pixel_aspect == aspect
    assert bool(frame.warnings) is (aspect != 1)


@pytest.mark.parametrize(
    ("header", "match"),
    [
        ((60000, 60000, 16, 6, 0, 0, 0), "60000 rows by 60000 columns; 1 to 4096"),
        ((0, 8, 8, 0, 0, 0, 0), "8 rows by 0 columns"),
        ((2**31, 8, 8, 0, 0, 0, 0), "2147483648 columns"),
        ((8, 8, 8, 5, 0, 0, 0), "colour type 5"),
        ((8, 8, 8, 0, 0, 0, 7), "no PNG that the standard knows"),
        ((8, 8, 16, 3, 0, 0, 0), "damaged|no PNG"),
    ],
)
def test_forged_headers(tmp_path, header, match):
    started = time.process_time()
    refused(png_file(tmp_path / "still.png", header, b"\0" * 1000), match)
    assert time.process_time() - started < 1


def test_damaged_files(tmp_path):
    path = tmp_path / "still.png"
    whole = imagecodecs.png_encode(picture(16))
    for length in (8, 20, 33, 40, len(whole) // 2, len(whole) - 13, len(whole) - 1):
        path.write_bytes(whole[:length])
        refused(path, "cut short|parts missing")
    broken = bytearray(whole)
    broken[18] ^= 1
    path.write_bytes(broken)
    refused(path, "damaged PNG header")
    broken = bytearray(whole)
    broken[len(whole) // 2] ^= 255
    path.write_bytes(broken)
    refused(path, "a checksum is wrong")
    path.write_bytes(whole[:8] + whole[33:])
    refused(path, "parts missing")


def test_too_little_and_too_much_picture_data(tmp_path):
    refused(png_file(tmp_path / "few.png", (400, 400, 8, 0, 0, 0, 0), b"\0" * 5000), "damaged picture data")
    path = png_file(tmp_path / "many.png", (4, 4, 8, 0, 0, 0, 0), np.random.default_rng(1).bytes(2_000_000))
    refused(path, "far more data")


def test_a_bomb_is_refused_before_the_decoder(tmp_path, monkeypatch):
    """A quarter of a megabyte that unpacks to 256 MB where 512 x 512 pixels need 256 kB."""
    machine, zeros = zlib.compressobj(9), b"\0" * 2**24
    body = b"".join(machine.compress(zeros) for _ in range(16)) + machine.flush()
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 512, 512, 8, 0, 0, 0, 0))
    path = tmp_path / "bomb.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", body) + png_chunk(b"IEND", b""))
    monkeypatch.setattr(imagecodecs, "png_decode", lambda _: pytest.fail("the decoder was called"))
    refused(path, "unpacks to far more data than a picture of 512 rows by 512 columns has")
