"""DICOM files that are damaged, forged, or of another kind: one sentence each, before a decoder takes memory."""

import io
import struct
import time
import zlib

import imagecodecs
import numpy as np
import pytest
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian

from qca.errors import InputError, UnsupportedFrame
from qca.frames import open_frame, probe
from tests.frames.files import (
    JPEG,
    NATIVE,
    check_sentence,
    dataset,
    element,
    j2k,
    lossless,
    replace_value,
    rle,
    run,
    write,
)

ROWS, COLUMNS, FRAMES, BITS_STORED = 0x00280010, 0x00280011, 0x00280008, 0x00280101


def refused(path, match, kind=InputError, index=0):
    with pytest.raises(kind, match=match) as error:
        open_frame(path, index)
    assert error.value.file == path.name
    return check_sentence(error)


@pytest.mark.parametrize(
    ("tag", "value", "match"),
    [
        (ROWS, struct.pack("<H", 65535), "65535 rows by 40 columns; 1 to 4096"),
        (COLUMNS, struct.pack("<H", 4097), "24 rows by 4097 columns"),
        (ROWS, struct.pack("<H", 0), "0 rows by 40"),
        (ROWS, b"", "no single whole number for Rows"),
        (ROWS, b"\1", "1 bytes .* for Rows"),
        (FRAMES, b"1000000000", "1000000000 frames"),
        (FRAMES, b"-3", "-3 frames"),
        (FRAMES, b"20 frames ", "text for Number of Frames"),
        (FRAMES, b"20.5", "'20.5' for Number of Frames"),
        (FRAMES, b"nan ", "'nan' for Number of Frames"),
        (FRAMES, b"3\\3 ", "no single whole number for Number of Frames"),
        (BITS_STORED, struct.pack("<H", 40), "40 bits stored in 16"),
        (BITS_STORED, struct.pack("<H", 1), "1 bits stored in 16"),
        (0x00280100, struct.pack("<H", 32), "32 bits per pixel"),
        (0x00280102, struct.pack("<H", 3), "high bit 3"),
        (0x00280103, struct.pack("<H", 9), "representation 9"),
        (0x00280002, struct.pack("<H", 3), "3 values per pixel"),
        (0x00280004, b"RGB ", "RGB"),
        (0x00280004, b"PALETTE COLOR ", "PALETTE COLOR"),
        (0x00280004, b"ASH ROWAN", "no known interpretation"),
        (0x00080016, b"", "what it holds"),
        (0x00080016, b"1.2.840.10008.5.1.4.1.1.2\0", "holds CT"),
        (0x00080016, b"1.2.840.10008.5.1.4.1.1.88.33", "structured report"),
        (0x00080016, b"1.2.840.10008.1.3.10", "DICOMDIR"),
        (0x00080016, b"1.2.3.4 ", "an object of another kind"),
        (0x00020010, b"", "transfer syntax"),
        (0x00020010, b"1.2.840.10008.1.2.4.102 ", "MPEG-4 video"),
        (0x00020010, b"1.2.840.10008.1.2.4.110\0", "JPEG XL"),
        (0x00020010, b"1.2.3.4 ", "1.2.3.4 .unknown"),
        (0x00020010, b"1.2.840.10008.1.2.4.70\0", "converted wrongly"),
    ],
)
def test_forged_header_values(tmp_path, tag, value, match):
    refused(replace_value(write(tmp_path / "run.dcm", run()), tag, value), match)


@pytest.mark.parametrize(
    "keyword", ["Rows", "Columns", "BitsAllocated", "SamplesPerPixel", "PhotometricInterpretation"]
)
def test_missing_attributes(tmp_path, keyword):
    refused(write(tmp_path / "run.dcm", run(), **{keyword: None}), "run.dcm")


def test_a_value_that_swallows_its_neighbours(tmp_path):
    """A length of 65520 where 6 bytes belong: the attributes after it are gone, not misread."""
    path = write(tmp_path / "run.dcm", run(frames=40), PatientName="Ash^Rowan")
    data = bytearray(path.read_bytes())
    place = data.index(b"PN", 132) + 2
    data[place : place + 2] = struct.pack("<H", 65520)
    path.write_bytes(data)
    assert "Rowan" not in refused(path, "run.dcm")


def test_a_length_beyond_the_file(tmp_path):
    path = write(tmp_path / "run.dcm", run(), PatientName="Ash^Rowan")
    data = bytearray(path.read_bytes())
    place = data.index(b"PN", 132) + 2
    data[place : place + 2] = struct.pack("<H", 65520)
    path.write_bytes(data)
    refused(path, "an element of 65520 bytes, more than there are")


@pytest.mark.parametrize("syntax", NATIVE)
def test_files_cut_short_anywhere(tmp_path, syntax):
    frames = run(frames=3)
    whole = write(tmp_path / "whole.dcm", frames, syntax=syntax).read_bytes()
    path = tmp_path / "run.dcm"
    outcomes = set()
    for length in [*range(0, 700, 7), *range(700, len(whole), 97)]:
        path.write_bytes(whole[:length])
        try:
            frame = open_frame(path, 2)
        except InputError as error:
            outcomes.add("refused" if str(error).endswith(".") else str(error))
        else:
            # Deflated streams may end a few bytes early and still give all frames; others lose the last value.
            assert np.array_equal(frame.pixels, frames[2])
            outcomes.add("read")
    assert "refused" in outcomes
    assert outcomes <= {"refused", "read"}


def test_a_run_cut_short_keeps_its_whole_frames(tmp_path):
    frames = run(frames=5)
    for name, options in (
        ("native.dcm", {}),
        ("coded.dcm", {"syntax": JPEG + "70", "encode": lossless(12)}),
        ("tableless.dcm", {"syntax": JPEG + "70", "encode": lossless(12), "offsets": False}),
        ("rle.dcm", {"syntax": "1.2.840.10008.1.2.5", "encode": rle}),
    ):
        path = write(tmp_path / name, frames, **options)
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) - len(whole) // 5])
        record = probe(path)
        assert record.count in (3, 4)
        frame = open_frame(path, record.count - 1)
        assert np.array_equal(frame.pixels, frames[record.count - 1])
        assert any("promises 5 frames" in warning for warning in frame.warnings)
        refused(path, f"frames 0 to {record.count - 1}; there is no frame {record.count}", index=record.count)


@pytest.mark.parametrize("coded", [False, True])
@pytest.mark.parametrize(
    ("declared", "count", "word"),
    [("9", 4, "promises 9 frames"), ("2", 2, "header says 2;"), (None, 4, "does not say"), ("0", 4, "does not say")],
)
def test_number_of_frames_against_what_is_there(tmp_path, coded, declared, count, word):
    options = {"syntax": JPEG + "70", "encode": lossless(12)} if coded else {}
    frames = run(frames=4)
    path = write(tmp_path / "run.dcm", frames, NumberOfFrames=declared, **options)
    record = probe(path)
    assert record.count == count
    assert any(word in warning for warning in record.warnings)
    assert np.array_equal(open_frame(path, count - 1).pixels, frames[count - 1])


def test_pixel_data_longer_than_the_file(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    data = bytearray(path.read_bytes())
    place = data.index(struct.pack("<HH2s", 0x7FE0, 0x0010, b"OW")) + 8
    data[place : place + 4] = struct.pack("<I", 0xFFFFFFF0)
    path.write_bytes(data)
    record = probe(path)
    assert record.count == 3
    assert np.array_equal(open_frame(path, 2).pixels, run()[2])


def test_no_pixel_data(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    data = path.read_bytes()
    path.write_bytes(data[: data.index(struct.pack("<HH2s", 0x7FE0, 0x0010, b"OW"))])
    refused(path, "no pixel data")


def test_without_preamble_or_file_meta(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    data = path.read_bytes()
    (tmp_path / "bare.dcm").write_bytes(data[data.index(struct.pack("<HH", 8, 0x16)) :])
    refused(tmp_path / "bare.dcm", "not a DICOM|without its file header")
    (tmp_path / "meta.dcm").write_bytes(data[132:])
    refused(tmp_path / "meta.dcm", "without its file header")
    (tmp_path / "nometa.dcm").write_bytes(data[:132] + data[data.index(struct.pack("<HH", 8, 0x16)) :])
    refused(tmp_path / "nometa.dcm", "transfer syntax")
    (tmp_path / "only.dcm").write_bytes(data[:132])
    refused(tmp_path / "only.dcm", "transfer syntax")


@pytest.mark.parametrize("coding", ["explicit", "implicit"])
def test_sequences_nested_without_end(tmp_path, coding):
    path = write(tmp_path / "run.dcm", run(), syntax=ImplicitVRLittleEndian if coding == "implicit" else NATIVE[1])
    data = path.read_bytes()
    place = data.index(struct.pack("<HH", 0x0028, 0x0002))
    head = struct.pack("<HHI", 0x0008, 0x1140, 0xFFFFFFFF)
    if coding == "explicit":
        head = struct.pack("<HH2sHI", 0x0008, 0x1140, b"SQ", 0, 0xFFFFFFFF)
    bomb = (head + b"\xfe\xff\x00\xe0\xff\xff\xff\xff") * 5000
    path.write_bytes(data[:place] + bomb + data[place:])
    refused(path, "nested more than 16 deep")


def test_more_elements_than_can_be(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    data = path.read_bytes()
    place = data.index(struct.pack("<HH", 0x0028, 0x0002))
    path.write_bytes(data[:place] + element(0x00090010, "LO", b"") * 500_100 + data[place:])
    refused(path, "more than 500000 elements")


def forged(codestream, rows, columns, marker):
    """The codestream with other rows and columns in its frame header."""
    place = codestream.index(marker)
    if marker == b"\xff\x51":
        size = struct.pack(">II", columns, rows)
        tile = struct.pack(">II", columns, rows)
        return codestream[: place + 6] + size + codestream[place + 14 : place + 22] + tile + codestream[place + 30 :]
    return codestream[: place + 5] + struct.pack(">HH", rows, columns) + codestream[place + 9 :]


@pytest.mark.parametrize(
    ("name", "encode", "marker"),
    [
        ("50", lambda frame: imagecodecs.jpeg8_encode((frame >> 4).astype(np.uint8)), b"\xff\xc0"),
        ("70", lossless(12), b"\xff\xc3"),
        ("80", imagecodecs.jpegls_encode, b"\xff\xf7"),
        ("90", j2k(12, reversible=True), b"\xff\x51"),
        ("201", imagecodecs.htj2k_encode, b"\xff\x51"),
    ],
)
def test_a_codestream_larger_than_the_header_says(tmp_path, name, encode, marker):
    """20000 x 20000 pixels in the codestream: two decoders took 1.6 to 2.4 GB before they noticed."""
    started = time.process_time()
    path = write(
        tmp_path / "run.dcm", run(), syntax=JPEG + name, encode=lambda f: forged(encode(f), 20000, 20000, marker)
    )
    refused(path, "coded as 20000 rows by 20000 columns where the header says 24 by 40")
    assert time.process_time() - started < 1.0


def one_pixel_tiles(codestream):
    place = codestream.index(b"\xff\x51") + 22
    return codestream[:place] + struct.pack(">II", 1, 1) + codestream[place + 8 :]


@pytest.mark.parametrize(
    ("name", "encode", "bits", "match"),
    [
        ("70", lossless(12), 8, "12 bits per value where the header allocates 8"),
        ("50", lambda f: imagecodecs.jpeg8_encode(np.stack([f, f, f], -1)), 8, "3 values per pixel"),
        (
            "90",
            lambda f: imagecodecs.jpeg2k_encode(np.stack([f, f, f], -1), codecformat="j2k"),
            8,
            "3 values per pixel",
        ),
        ("90", lambda f: one_pixel_tiles(j2k(12, reversible=True)(f)), 12, "tiles"),
        ("70", lambda f: b"\xff\xd8" + b"\xff\xd8", 8, "cut short"),
        ("70", lambda f: b"\xff\xd8\xff\xe0\x00\x00" * 9, 8, "damaged JPEG header"),
        ("70", lambda f: b"\xff\xd8\xff\xda\x00\x08" + b"\0" * 20, 8, "no JPEG frame header"),
        ("70", lambda f: b"\xff\xd8\xff\xc2\x00\x0b\x08\x00\x18\x00\x28\x01\x01\x11\x00", 8, "progressive"),
        ("70", lambda f: b"hello, this is not a picture", 8, "does not begin like"),
        ("90", lambda f: b"\x00\x00\x00\x0cjP  \r\n\x87\n" + b"\0\0\0\4jp2h", 8, "no codestream"),
        ("90", lambda f: b"\xff\x4f\xff\x51" + b"\0" * 50, 8, "damaged JPEG 2000|unusual"),
    ],
)
def test_other_codestreams_than_the_header_says(tmp_path, name, encode, bits, match):
    frames = run(rows=128, columns=128, bits=bits) if "tiles" in match else run(bits=bits)
    codestreams = [encode(lossless_input) for lossless_input in (frames if bits == 12 else frames.astype(np.uint16))]
    if "per pixel" in match:
        codestreams = [encode(frame) for frame in frames]
    path = write(tmp_path / "run.dcm", frames, syntax=JPEG + name, codestreams=codestreams, bits=bits)
    refused(path, match)


@pytest.mark.parametrize("keep", [0.3, 0.7, 0.97])
@pytest.mark.parametrize(
    ("name", "encode"),
    [
        ("51", lambda frame: imagecodecs.jpeg8_encode(frame, bitspersample=12)),
        ("70", lossless(12)),
        ("80", imagecodecs.jpegls_encode),
        ("90", j2k(12, reversible=True)),
        ("201", imagecodecs.htj2k_encode),
    ],
)
def test_a_codestream_cut_short_is_no_picture(tmp_path, name, encode, keep):
    """Two of the decoders fill up with grey and say nothing."""

    def cut(frame):
        whole = encode(frame)
        return whole[: int(len(whole) * keep)]

    path = write(tmp_path / "run.dcm", run(), syntax=JPEG + name, encode=cut)
    refused(path, "ends before its picture is complete" if name != "90" else "damaged")


def test_signed_values_where_the_header_says_unsigned(tmp_path):
    signed = run().astype(np.int16) - 2048
    streams = [imagecodecs.jpeg2k_encode(frame, codecformat="j2k", reversible=True) for frame in signed]
    path = write(tmp_path / "run.dcm", run(), syntax=JPEG + "90", codestreams=streams, bits=16)
    refused(path, "signed values where the header says unsigned")
    good = write(tmp_path / "good.dcm", run(), ds=dataset(signed, bits=16), syntax=JPEG + "90", codestreams=streams)
    assert np.array_equal(open_frame(good, 1).pixels, signed[1])


def test_a_compressed_frame_far_too_large(tmp_path):
    path = write(tmp_path / "run.dcm", run(), syntax=JPEG + "70", encode=lambda f: lossless(12)(f) + b"\0" * 1_200_000)
    refused(path, "takes 12[0-9]* bytes compressed and 1920 uncompressed")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda data: struct.pack("<I", 3) + data[4:], "3 RLE segments where 2 belong"),
        (lambda data: data[:4] + struct.pack("<I", 10) + data[8:], "damaged"),
        (lambda data: data[:8] + struct.pack("<I", 10**9) + data[12:], "damaged"),
        (lambda data: data[: len(data) // 2 // 2 * 2], "damaged"),
        (lambda data: data[:40], "damaged"),
        (lambda data: data[:64] + b"\x81\xff" * 4000, "damaged"),
    ],
)
def test_broken_run_lengths(tmp_path, change, match):
    path = write(tmp_path / "run.dcm", run(), syntax="1.2.840.10008.1.2.5", encode=lambda frame: change(rle(frame)))
    refused(path, match)


def deflated_file(path, before, zeros, after=b""):
    """A file in the deflated transfer syntax: ``before``, so many megabytes of zeros, ``after``."""

    def flushed(data):
        machine = zlib.compressobj(6, wbits=-15)
        return machine.compress(data) + machine.flush(zlib.Z_FULL_FLUSH)

    head = write(path, run(), syntax=DeflatedExplicitVRLittleEndian).read_bytes()
    place = 132 + 12 + struct.unpack_from("<I", head, 140)[0]
    path.write_bytes(head[:place] + flushed(before) + flushed(b"\0" * 2**20) * zeros + flushed(after))
    return path


def plain_header(tmp_path):
    data = write(tmp_path / "plain.dcm", run()).read_bytes()
    return data[132 + 12 + struct.unpack_from("<I", data, 140)[0] :]


def test_deflate_bombs(tmp_path):
    """A gigabyte of zeros in a megabyte: as rubbish, inside one huge element, and as pixel data without end."""
    plain = plain_header(tmp_path)
    place = plain.index(struct.pack("<HH", 0x0028, 0x0002))
    pixels = plain.index(struct.pack("<HH2s", 0x7FE0, 0x0010, b"OW"))
    huge = struct.pack("<HH2sHI", 0x0009, 0x1010, b"OB", 0, 2**30)
    started = time.process_time()
    refused(deflated_file(tmp_path / "a.dcm", b"", 1024), "damaged DICOM header")
    refused(deflated_file(tmp_path / "b.dcm", plain[:place] + huge, 1024, plain[place:]), "header of more than 64 MB")
    small = element(0x00091010, "OB", b"\0" * 2**20)
    refused(
        deflated_file(tmp_path / "d.dcm", plain[:place] + small * 70 + plain[place:], 0), "header of more than 64 MB"
    )
    many = plain[:pixels] + plain[pixels : pixels + 8] + struct.pack("<I", 0xFFFFFFF0)
    many = many.replace(element(FRAMES, "IS", b"3 "), element(FRAMES, "IS", b"65000 "))
    many = many.replace(element(ROWS, "US", struct.pack("<H", 24)), element(ROWS, "US", struct.pack("<H", 400)))
    many = many.replace(element(COLUMNS, "US", struct.pack("<H", 40)), element(COLUMNS, "US", struct.pack("<H", 400)))
    path = deflated_file(tmp_path / "c.dcm", many, 256)
    assert open_frame(path, 0).pixels.max() == 0
    refused(path, "beyond 2 GB", index=10_000)
    refused(path, "cut short", index=900)
    assert time.process_time() - started < 10


def test_a_deflated_file_with_damaged_data(tmp_path):
    path = write(tmp_path / "run.dcm", run(), syntax=DeflatedExplicitVRLittleEndian)
    data = bytearray(path.read_bytes())
    data[-600:-580] = b"\xff" * 20
    path.write_bytes(data)
    refused(path, "run.dcm", index=2)


def test_fragments_that_are_none(tmp_path):
    path = write(tmp_path / "run.dcm", run(), syntax=JPEG + "70", encode=lossless(12))
    data = bytearray(path.read_bytes())
    first = data.index(b"\xfe\xff\x00\xe0", data.index(b"\xe0\x7f\x10\x00OB"))
    data[first : first + 4] = b"abcd"
    path.write_bytes(data)
    refused(path, "not the start of a fragment")


def test_a_dataset_written_by_memory_is_what_the_file_gives(tmp_path):
    """What these tests write is what they say: pydicom reads it back."""
    from pydicom import dcmread

    buffer = io.BytesIO(write(tmp_path / "run.dcm", run()).read_bytes())
    assert np.array_equal(dcmread(buffer).pixel_array, run())
    assert dataset(run()).Rows == 24


def test_floating_point_pixels(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    data = path.read_bytes()
    place = data.index(struct.pack("<HH2s", 0x7FE0, 0x0010, b"OW"))
    values = np.zeros((3, 24, 40), np.float32).tobytes()
    head = struct.pack("<HH2sHI", 0x7FE0, 0x0008, b"OF", 0, len(values))
    path.write_bytes(data[:place] + head + values)
    refused(path, "floating point", UnsupportedFrame)
