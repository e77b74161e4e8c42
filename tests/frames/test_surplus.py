"""What may follow pixel data that are not encapsulated (PS3.5 section 7.1), and what tells of a shifted picture."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from qca.errors import InputError
from qca.frames import open_frame, probe
from tests.frames.files import run, write

REFUSED = "goes on for .* bytes after its pixel data.*export or copy the file again"


def element(coding, group, number, vr, value):
    """One element, written by hand."""
    order = ">" if coding == ExplicitVRBigEndian else "<"
    head = struct.pack(order + "HH", group, number)
    if coding == ImplicitVRLittleEndian:
        return head + struct.pack("<I", len(value)) + value
    if vr in (b"OB", b"SQ"):
        return head + vr + b"\0\0" + struct.pack(order + "I", len(value)) + value
    return head + vr + struct.pack(order + "H", len(value)) + value


@pytest.fixture(params=[ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian])
def written(request, tmp_path):
    """A file in each of the transfer syntaxes without encapsulation, its frames, and its syntax."""
    frames = run(frames=2)
    return write(tmp_path / "run.dcm", frames, syntax=request.param), frames, request.param


@pytest.mark.parametrize("count", [2, 8, 16, 480, 1920])
@pytest.mark.parametrize("back", [100, 1000, 3000])
def test_bytes_that_came_into_the_picture(written, count, back):
    path, _, _ = written
    data = path.read_bytes()
    path.write_bytes(data[:-back] + b"\0" * count + data[-back:])
    with pytest.raises(InputError, match=REFUSED):
        open_frame(path, 0)


def test_elements_that_may_follow(written):
    path, frames, coding = written
    after = element(coding, 0x7FE1, 0x0010, b"LO", b"A WRITER")
    after += element(coding, 0x7FE1, 0x1001, b"OB", bytes(range(1, 65)))
    after += element(coding, 0xFFFA, 0xFFFA, b"SQ", b"")
    after += element(coding, 0xFFFC, 0xFFFC, b"OB", b"\0" * 200)
    path.write_bytes(path.read_bytes() + after)
    frame = open_frame(path, 1)
    assert np.array_equal(frame.pixels, frames[1])
    assert frame.warnings == ()


def test_elements_that_may_not_follow(written):
    path, _, coding = written
    path.write_bytes(path.read_bytes() + element(coding, 0x0028, 0x0010, b"US", b"\x18\0"))
    with pytest.raises(InputError, match=REFUSED):
        probe(path)


def test_an_element_cut_short_is_none(written):
    path, _, coding = written
    path.write_bytes(path.read_bytes() + element(coding, 0xFFFC, 0xFFFC, b"OB", b"\0" * 200)[:-4])
    with pytest.raises(InputError, match=REFUSED):
        probe(path)


def test_zeros_after_a_picture_that_does_not_end_in_zeros_are_padding(written):
    path, frames, _ = written
    path.write_bytes(path.read_bytes() + b"\0" * 10)
    frame = open_frame(path, 0)
    assert np.array_equal(frame.pixels, frames[0])
    assert frame.warnings == ("10 zero bytes follow the pixel data: they are taken for padding.",)


def test_zeros_after_a_black_border_are_padding_only_up_to_a_whole_block(tmp_path):
    frames = run(frames=1)
    frames[:, -2:] = 0
    path = write(tmp_path / "run.dcm", frames)
    data = path.read_bytes()
    path.write_bytes(data + b"\0" * (-len(data) % 512 or 512))
    frame = open_frame(path, 0)
    assert np.array_equal(frame.pixels, frames[0])
    assert "taken for padding" in frame.warnings[0]
    path.write_bytes(data + b"\0" * 10)
    with pytest.raises(InputError, match=REFUSED):
        probe(path)
    path.write_bytes(data + element(ExplicitVRLittleEndian, 0xFFFC, 0xFFFC, b"OB", b"\0\0") + b"\0" * 10)
    assert "10 zero bytes follow" in open_frame(path, 0).warnings[0]


def test_a_pad_byte_that_an_odd_length_does_not_count(tmp_path):
    frames = run(frames=1, rows=15, columns=21, bits=8)
    data = write(tmp_path / "even.dcm", frames).read_bytes()
    assert np.array_equal(open_frame(tmp_path / "even.dcm", 0).pixels, frames[0])
    assert open_frame(tmp_path / "even.dcm", 0).warnings == ()
    size = struct.pack("<I", 316)
    place = data.rindex(size)
    odd = tmp_path / "odd.dcm"
    odd.write_bytes(data[:place] + struct.pack("<I", 315) + data[place + 4 :])
    frame = open_frame(odd, 0)
    assert np.array_equal(frame.pixels, frames[0])
    assert frame.warnings == ()
    odd.write_bytes(odd.read_bytes()[:-1] + b"\x01")
    with pytest.raises(InputError, match=REFUSED):
        probe(odd)


def test_padding_inside_the_element_is_said(tmp_path):
    frames = run(frames=1)
    data = write(tmp_path / "run.dcm", frames).read_bytes()
    place = data.rindex(struct.pack("<I", 1920))
    path = tmp_path / "padded.dcm"
    path.write_bytes(data[:place] + struct.pack("<I", 1984) + data[place + 4 :] + b"\0" * 64)
    frame = open_frame(path, 0)
    assert np.array_equal(frame.pixels, frames[0])
    assert "64 bytes longer than their frames" in frame.warnings[0]
