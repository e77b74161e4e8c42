"""Tiny files for the tests of this folder, written with pydicom, imagecodecs and plain bytes."""

from __future__ import annotations

import re
import struct
import zlib

import imagecodecs
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from qca.errors import QcaError

XA = "1.2.840.10008.5.1.4.1.1.12.1"
ENHANCED_XA = "1.2.840.10008.5.1.4.1.1.12.1.1"
XRF = "1.2.840.10008.5.1.4.1.1.12.2"
JPEG = "1.2.840.10008.1.2.4."
NATIVE = (ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian)


def run(frames=3, rows=24, columns=40, bits=12, seed=1):
    """Frames of an asymmetric ramp with noise: each row, column and frame is different."""
    rng = np.random.default_rng(seed)
    top = 2**bits - 1
    ramp = np.linspace(0.1, 0.7, columns)[None, None, :] + np.linspace(0, 0.2, rows)[None, :, None]
    ramp = ramp + np.linspace(0, 0.05, frames)[:, None, None]
    noisy = ramp * top + rng.normal(0, 0.01 * top, (frames, rows, columns))
    return noisy.round().clip(0, top).astype(np.uint8 if bits <= 8 else np.uint16)


def dataset(frames, *, sop_class=XA, bits=None, **attributes):
    """A data set with the attributes every file needs; ``attributes`` by keyword, None removes one."""
    allocated = frames.dtype.itemsize * 8
    bits = bits or (8 if allocated == 8 else 12)
    ds = Dataset()
    ds.SOPClassUID = sop_class
    ds.SOPInstanceUID = "2.25.1234"
    ds.Modality = "RF" if sop_class == XRF else "XA"
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.NumberOfFrames = len(frames)
    ds.Rows, ds.Columns = frames.shape[1:3]
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = allocated, bits, bits - 1
    ds.PixelRepresentation = int(frames.dtype.kind == "i")
    for keyword, value in attributes.items():
        if value is None:
            delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    return ds


def write(path, frames, *, syntax=ExplicitVRLittleEndian, encode=None, codestreams=None, ds=None, offsets=True, **more):
    """Write a DICOM file; ``encode`` makes a codestream of one frame, ``codestreams`` gives them ready made."""
    ds = dataset(frames, **more) if ds is None else ds
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = syntax
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    if encode is not None:
        codestreams = [encode(frame) for frame in frames]
    if codestreams is not None:
        ds.PixelData = encapsulate(codestreams, has_bot=offsets)
        ds["PixelData"].VR = "OB"
        ds["PixelData"].is_undefined_length = True
    else:
        order = ">" if syntax == ExplicitVRBigEndian else "<"
        raw = frames.astype(frames.dtype.newbyteorder(order)).tobytes()
        raw += b"\0" * (len(raw) % 2)
        if frames.dtype.itemsize == 1 and order == ">":
            raw = np.frombuffer(raw, np.uint16).byteswap().tobytes()
        ds.PixelData = raw
        ds["PixelData"].VR = "OW" if frames.dtype.itemsize == 2 or order == ">" or syntax == NATIVE[0] else "OB"
    ds.save_as(path, enforce_file_format=True)
    return path


def items(*datasets):
    return Sequence(list(datasets))


def item(**attributes):
    ds = Dataset()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    return ds


def lossless(bits, predictor=1):
    def encode(frame):
        return imagecodecs.jpeg8_encode(frame, lossless=True, predictor=predictor, bitspersample=bits)

    return encode


def j2k(bits, **options):
    def encode(frame):
        return imagecodecs.jpeg2k_encode(frame, codecformat="j2k", bitspersample=bits, **options)

    return encode


def rle(frame):
    """RLE as PS3.5 annex G describes it: one PackBits segment per byte, most significant byte first."""
    planes = [frame] if frame.dtype.itemsize == 1 else [frame >> 8, frame & 255]
    segments = []
    for plane in planes:
        coded = b"".join(imagecodecs.packbits_encode(row.astype(np.uint8).tobytes()) for row in plane)
        segments.append(coded + b"\0" * (len(coded) % 2))
    starts = [64]
    for segment in segments[:-1]:
        starts.append(starts[-1] + len(segment))
    return struct.pack("<16I", len(segments), *starts, *[0] * (15 - len(segments))) + b"".join(segments)


def element(tag, vr, value):
    """One explicit little endian element."""
    head = struct.pack("<HH", tag >> 16, tag & 0xFFFF) + vr.encode()
    if vr in ("OB", "OW", "SQ", "UN", "UT"):
        return head + struct.pack("<HI", 0, len(value)) + value
    return head + struct.pack("<H", len(value)) + value


def replace_value(path, tag, value, vr=None):
    """Replace the value of an explicit little endian top-level element of a file by raw bytes."""
    data = path.read_bytes()
    key = struct.pack("<HH", tag >> 16, tag & 0xFFFF)
    place = data.index(key, 132)
    old_vr = data[place + 4 : place + 6].decode()
    long_form = old_vr in ("OB", "OW", "SQ", "UN")
    length = struct.unpack_from("<I" if long_form else "<H", data, place + (8 if long_form else 6))[0]
    head = 12 if long_form else 8
    new = element(tag, vr or old_vr, value)
    path.write_bytes(data[:place] + new + data[place + head + length :])
    return path


def png_chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png_file(path, header, body, *extra):
    """A PNG file from the fields of IHDR, raw filtered rows and further chunks."""
    parts = [b"\x89PNG\r\n\x1a\n", png_chunk(b"IHDR", struct.pack(">IIBBBBB", *header)), *extra]
    parts += [png_chunk(b"IDAT", zlib.compress(body)), png_chunk(b"IEND", b"")]
    path.write_bytes(b"".join(parts))
    return path


def check_sentence(error):
    """A message is one sentence: what, which value, what to do; nothing of Python in it."""
    text = str(error.value)
    assert isinstance(error.value, QcaError)
    assert re.fullmatch(r"\S[^\n]{20,400}\.", text), text
    assert ":" in text or ";" in text, text
    assert not re.search(r"Error|Traceback|object at|None|b'", text), text
    return text
