"""Stored values come back bit for bit, whatever the transfer syntax; decoders are held against each other."""

import warnings

import imagecodecs
import numpy as np
import pytest
from pydicom import dcmread
from pydicom.encaps import encapsulate_extended
from pydicom.pixels import pixel_array

from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import JPEG, NATIVE, dataset, j2k, lossless, replace_value, rle, run, write

LOSSLESS = {
    "57": lambda bits: lossless(bits, predictor=6),
    "70": lossless,
    "80": lambda bits: imagecodecs.jpegls_encode,
    "90": lambda bits: j2k(bits, reversible=True),
    "201": lambda bits: imagecodecs.htj2k_encode,
}


def by_pydicom(path, index, plugin):
    """The same frame through pydicom and one of its own decoder plugins."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pixel_array(path, index=index, raw=True, decoding_plugin=plugin)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("syntax", NATIVE)
def test_uncompressed_values_are_the_written_ones(tmp_path, syntax, bits):
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax=syntax, bits=bits)
    for index in range(3):
        frame = open_frame(path, index)
        assert np.array_equal(frame.pixels, frames[index])
        assert frame.grey_range == (0, 2**bits - 1)
        assert not frame.lossy


@pytest.mark.parametrize("syntax", NATIVE)
def test_odd_frames_of_eight_bits_follow_each_other_without_a_gap(tmp_path, syntax):
    frames = run(frames=4, rows=5, columns=7, bits=8)
    path = write(tmp_path / "odd.dcm", frames, syntax=syntax)
    other = dcmread(path).pixel_array
    for index in range(4):
        assert np.array_equal(open_frame(path, index).pixels, frames[index])
        assert np.array_equal(open_frame(path, index).pixels, other[index])


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("name", LOSSLESS)
def test_lossless_values_are_the_written_ones(tmp_path, name, bits):
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + name, encode=LOSSLESS[name](bits), bits=bits)
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, frames[1])
    assert not frame.lossy
    assert FrameSource(path).pixels(2).dtype == frames.dtype


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_rle_values_are_the_written_ones_and_those_of_pydicom(tmp_path, bits):
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax="1.2.840.10008.1.2.5", encode=rle, bits=bits)
    for index in range(3):
        assert np.array_equal(open_frame(path, index).pixels, frames[index])
        assert np.array_equal(by_pydicom(path, index, "pydicom"), frames[index])


def test_rle_runs_longer_than_a_row_of_zeros(tmp_path):
    frames = np.zeros((1, 64, 64), np.uint16)
    frames[0, 30:, 7] = 4095
    path = write(tmp_path / "run.dcm", frames, syntax="1.2.840.10008.1.2.5", encode=rle)
    assert np.array_equal(open_frame(path).pixels, frames[0])


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("name", ["57", "70", "80", "90"])
def test_gdcm_reads_the_same_values(tmp_path, name, bits):
    pytest.importorskip("gdcm", reason="python-gdcm is not installed: no second decoder to compare with")
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + name, encode=LOSSLESS[name](bits), bits=bits)
    for index in range(3):
        assert np.array_equal(by_pydicom(path, index, "gdcm"), open_frame(path, index).pixels)


def lossy_encoders(bits):
    return {
        "50": lambda frame: imagecodecs.jpeg8_encode(frame, level=90),
        "51": lambda frame: imagecodecs.jpeg8_encode(frame, level=90, bitspersample=bits),
        "81": lambda frame: imagecodecs.jpegls_encode(frame, level=2),
        "91": j2k(bits, level=40, reversible=False),
    }


@pytest.mark.parametrize(
    ("name", "bits", "plugin", "package", "most"),
    [
        ("50", 8, "pillow", "PIL", 0),
        ("50", 8, "gdcm", "gdcm", 1),  # another inverse transform: ISO/IEC 10918-2 allows 1
        ("51", 8, "pillow", "PIL", 0),
        ("81", 8, "pyjpegls", "jpeg_ls", 0),
        ("81", 12, "pyjpegls", "jpeg_ls", 0),
        ("81", 12, "gdcm", "gdcm", 0),
        ("91", 12, "pillow", "PIL", 0),
        ("91", 12, "gdcm", "gdcm", 1),  # another version of OpenJPEG, another rounding of the 9-7 filter
    ],
)
def test_lossy_values_are_those_of_another_decoder_and_flagged(tmp_path, name, bits, plugin, package, most):
    pytest.importorskip(package, reason=f"{package} is not installed: no second decoder to compare with")
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + name, encode=lossy_encoders(bits)[name], bits=bits)
    frame = open_frame(path, 2)
    other = by_pydicom(path, 2, plugin)
    assert np.abs(frame.pixels - other).max() <= most
    assert frame.lossy
    assert probe(path).lossy


def test_twelve_bit_extended_jpeg_is_what_gdcm_itself_decodes(tmp_path):
    gdcm = pytest.importorskip("gdcm", reason="python-gdcm is not installed: no second decoder to compare with")
    frames = run(frames=1, rows=32, columns=48, bits=12)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "51", encode=lossy_encoders(12)["51"])
    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    other = np.frombuffer(reader.GetImage().GetBuffer().encode("utf-8", "surrogateescape"), np.uint16)
    frame = open_frame(path)
    assert np.abs(frame.pixels - other.reshape(32, 48)).max() <= 1
    assert np.abs(frame.pixels - frames[0]).max() < 60
    assert frame.lossy


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_high_throughput_jpeg_2000_is_what_openjph_decodes(tmp_path, bits):
    """The reader uses OpenJPEG, which refuses damaged frames; OpenJPH is the second decoder."""
    frames = run(bits=bits)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "201", encode=imagecodecs.htj2k_encode, bits=bits)
    other = imagecodecs.htj2k_decode(imagecodecs.htj2k_encode(frames[1]))
    assert np.array_equal(open_frame(path, 1).pixels, other)


def test_jpeg_ls_is_what_charls_decodes_through_pyjpegls(tmp_path):
    pytest.importorskip("jpeg_ls", reason="pyjpegls is not installed: no second decoder to compare with")
    frames = run(bits=12)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "80", encode=imagecodecs.jpegls_encode)
    assert np.array_equal(by_pydicom(path, 1, "pyjpegls"), open_frame(path, 1).pixels)


@pytest.mark.parametrize("offsets", [True, False])
@pytest.mark.parametrize("parts", [1, 2, 5])
def test_frames_in_several_fragments(tmp_path, parts, offsets):
    frames = run(frames=4)
    streams = [lossless(12)(frame) for frame in frames]
    ds = dataset(frames)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "70", codestreams=streams, ds=ds, offsets=offsets)
    if parts > 1:
        path.write_bytes(refragmented(path.read_bytes(), streams, parts, offsets=offsets))
    assert probe(path).count == 4
    for index in range(4):
        assert np.array_equal(open_frame(path, index).pixels, frames[index])


def refragmented(data, streams, parts, *, offsets):
    """Cut every codestream of an encapsulated file into ``parts`` fragments, with an offset table or an empty one."""
    head = data[: data.index(b"\xe0\x7f\x10\x00OB") + 12]
    body, starts = b"", []
    for coded in streams:
        starts.append(len(body))
        stream = coded + b"\0" * (-len(coded) % (2 * parts))
        step = len(stream) // parts
        for part in range(parts):
            body += b"\xfe\xff\x00\xe0" + step.to_bytes(4, "little") + stream[part * step : (part + 1) * step]
    table = b"".join(start.to_bytes(4, "little") for start in starts) if offsets else b""
    first = b"\xfe\xff\x00\xe0" + len(table).to_bytes(4, "little") + table
    return head + first + body + b"\xfe\xff\xdd\xe0\0\0\0\0"


def test_extended_offset_table(tmp_path):
    frames = run(frames=3)
    ds = dataset(frames)
    data, table, lengths = encapsulate_extended([imagecodecs.jpegls_encode(frame) for frame in frames])
    path = tmp_path / "run.dcm"
    write(path, frames, syntax=JPEG + "80", codestreams=[b"\0\0"], ds=ds)
    ds.ExtendedOffsetTable, ds.ExtendedOffsetTableLengths = table, lengths
    ds.PixelData = data
    ds["PixelData"].is_undefined_length = True
    ds.save_as(path, enforce_file_format=True)
    assert np.array_equal(open_frame(path, 2).pixels, frames[2])


def test_a_table_that_fits_nothing_is_not_believed(tmp_path):
    frames = run(frames=3)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "70", encode=lossless(12), NumberOfFrames=2)
    data = bytearray(path.read_bytes())
    table = data.index(b"\xfe\xff\x00\xe0") + 8
    data[table + 4 : table + 8] = (5).to_bytes(4, "little")
    path.write_bytes(data)
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


def test_what_the_codestream_is_decides_not_the_transfer_syntax(tmp_path):
    """Baseline JPEG under the lossless syntax is decoded, and flagged as lossy."""
    frames = run(bits=8)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "70", encode=lossy_encoders(8)["50"])
    frame = open_frame(path, 0)
    assert np.array_equal(frame.pixels, imagecodecs.jpeg8_decode(lossy_encoders(8)["50"](frames[0])))
    assert frame.lossy
    assert frame.detail["codestream"] == "jpeg"


def test_a_jpeg_2000_file_inside_a_fragment(tmp_path):
    frames = run(bits=12)
    boxed = [imagecodecs.jpeg2k_encode(frame, codecformat="jp2", reversible=True, bitspersample=12) for frame in frames]
    assert boxed[0][4:8] == b"jP  "
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "90", codestreams=boxed)
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


def test_values_narrow_in_wide_cells(tmp_path):
    """Eight bits stored in sixteen: one decoder is known to return wrong values for this."""
    frames = run(bits=8).astype(np.uint16)
    for name, encode in (("80", imagecodecs.jpegls_encode), ("70", lossless(16)), ("80", narrow_jpeg_ls)):
        path = write(tmp_path / "run.dcm", frames, syntax=JPEG + name, encode=encode, bits=8)
        frame = open_frame(path, 1)
        assert np.array_equal(frame.pixels, frames[1])
        assert frame.grey_range == (0, 255)


def narrow_jpeg_ls(frame):
    return imagecodecs.jpegls_encode(frame.astype(np.uint8))


@pytest.mark.parametrize("name", [None, "70", "80", "90", "rle"])
def test_bits_beside_the_stored_ones_do_not_belong(tmp_path, name):
    frames = run(bits=12)
    dirty = frames | 0xA000
    options = {"codestreams": None, "bits": 12}
    if name == "rle":
        options |= {"syntax": "1.2.840.10008.1.2.5", "encode": rle}
    elif name:
        options |= {"syntax": JPEG + name, "encode": LOSSLESS[name](16)}
    path = write(tmp_path / "run.dcm", dirty, **options)
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


def test_values_at_the_top_of_their_cells(tmp_path):
    frames = run(bits=12)
    path = write(tmp_path / "run.dcm", (frames << 4) | 5, bits=12, HighBit=15)
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


def test_values_low_in_the_codestream_though_the_header_says_high(tmp_path):
    """High Bit 15 describes the cells of an uncompressed file; the codestream has its twelve bits at the bottom."""
    frames = run(bits=12)
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "70", encode=lossless(12), HighBit=15)
    assert np.array_equal(open_frame(path, 1).pixels, frames[1])


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("name", [None, "rle", "70"])
def test_signed_values(tmp_path, name, bits):
    cell = np.int8 if bits == 8 else np.int16
    frames = (run(bits=bits).astype(np.int32) - 2 ** (bits - 1)).astype(cell)
    ds = dataset(frames, bits=bits)
    pattern = frames.view(np.uint8 if bits == 8 else np.uint16) & (2**bits - 1)
    if name is None:
        path = write(tmp_path / "run.dcm", pattern, ds=ds)
    elif name == "rle":
        path = write(tmp_path / "run.dcm", pattern, ds=ds, syntax="1.2.840.10008.1.2.5", encode=rle)
    else:
        path = write(tmp_path / "run.dcm", pattern, ds=ds, syntax=JPEG + name, encode=lossless(bits))
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, frames[1])
    assert frame.grey_range == (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    assert FrameSource(path).pixels(1).dtype == cell


def test_frames_deflated_one_by_one_and_frames_left_raw(tmp_path):
    import zlib

    def deflated(frame):
        machine = zlib.compressobj(wbits=-15)
        return machine.compress(frame.tobytes()) + machine.flush()

    frames = run()
    for syntax, encode in (("1.2.840.10008.1.2.8.1", deflated), ("1.2.840.10008.1.2.1.98", lambda f: f.tobytes())):
        path = write(tmp_path / "run.dcm", frames, syntax=JPEG + "70", encode=encode)
        replace_value(path, 0x00020010, syntax.encode() + b"\0" * (len(syntax) % 2))
        assert np.array_equal(open_frame(path, 2).pixels, frames[2])


@pytest.mark.parametrize(("near", "lossy"), [(0, False), (3, True)])
def test_lossy_is_what_the_codestream_says_even_if_the_header_denies_it(tmp_path, near, lossy):
    frames = run()
    path = write(
        tmp_path / "run.dcm",
        frames,
        syntax=JPEG + "80",
        encode=lambda frame: imagecodecs.jpegls_encode(frame, level=near),
        LossyImageCompression="00",
    )
    assert open_frame(path, 0).lossy is lossy


def test_lossy_history_and_ratio_of_an_uncompressed_file(tmp_path):
    path = write(tmp_path / "run.dcm", run(), LossyImageCompression="01", LossyImageCompressionRatio=["8", "12.5"])
    frame = open_frame(path, 0)
    assert frame.lossy
    assert frame.detail["lossy_compression_ratio"] == 12.5
