"""One compressed frame to stored values.

All codestreams go to imagecodecs (BSD; libjpeg-turbo, CharLS, OpenJPEG), each decoded once, into memory whose
size comes from the checked header. A built-in dispatcher is not used on purpose: the codestream, not the transfer
syntax, says which decoder it needs (files with a baseline codestream under a lossless syntax exist).
"""

from __future__ import annotations

import itertools
import struct
import zlib
from typing import Any

import numpy as np

from qca.errors import InputError
from qca.frames.dicom.codestream import Codestream, read_codestream
from qca.frames.dicom.elements import Order
from qca.frames.dicom.pixel_format import PixelFormat, Stored
from qca.frames.limits import MAX_CODED_EXCESS

_RLE_HEADER = 64
_RLE_SEGMENTS = 15


def most_coded_bytes(layout: PixelFormat) -> int:
    """Return the largest size that a compressed frame may have, bytes."""
    return 2 * layout.frame_bytes + MAX_CODED_EXCESS


def decode_codestream(data: bytes, layout: PixelFormat, name: str, index: int) -> tuple[Stored, Codestream]:
    """Decode a JPEG, JPEG-LS, JPEG 2000 or HTJ2K frame.

    Parameters
    ----------
    data : bytes
        One frame's fragments, joined.
    layout : PixelFormat
        What the header says.
    name : str
        File name, for messages.
    index : int
        Frame number, for messages.

    Returns
    -------
    tuple of ndarray and Codestream
        Values, shape (rows, columns), ``layout.dtype``; and what the codestream said.

    Raises
    ------
    InputError
        If the codestream is damaged or does not agree with the header.
    """
    import imagecodecs

    stream = read_codestream(data, layout, name, index)
    decoder = {
        "jpeg": imagecodecs.jpeg8_decode,
        "jpeg lossless": imagecodecs.jpeg8_decode,
        "jpeg-ls": imagecodecs.jpegls_decode,
        "jpeg 2000": imagecodecs.jpeg2k_decode,
        "htj2k": imagecodecs.jpeg2k_decode,  # imagecodecs.htj2k_decode prints its errors and returns half a picture
    }[stream.kind]
    try:
        found: Any = decoder(stream.data)
    except (RuntimeError, ValueError, TypeError, IndexError, MemoryError, NotImplementedError) as error:
        raise _damaged(name, index) from error
    if found.shape != (layout.rows, layout.columns) or found.dtype.kind not in "ui" or found.dtype.itemsize > 2:
        raise _damaged(name, index)
    if stream.signed and not layout.signed:
        msg = f"Frame {index} of {name} is coded with signed values where the header says unsigned: export it again."
        raise InputError(msg, file=name, frame=index)
    return _fit(found, stream, layout), stream


def _fit(found: Stored, stream: Codestream, layout: PixelFormat) -> Stored:
    """Bring decoded values into the header's type."""
    if stream.signed:
        return found.astype(layout.dtype)
    cells = found.astype(layout.cell)
    placed = stream.precision > layout.high
    low = PixelFormat(
        layout.rows,
        layout.columns,
        layout.allocated,
        layout.stored,
        layout.high if placed else layout.stored - 1,
        layout.signed,
    )
    return low.values(cells)


def decode_rle(data: bytes, layout: PixelFormat, name: str, index: int) -> Stored:
    """Decode an RLE frame (DICOM PS3.5 annex G): one segment per byte of a value, most significant first.

    Raises
    ------
    InputError
        If segments are missing, lie outside the frame or do not fill it.
    """
    import imagecodecs

    planes = layout.allocated // 8
    if len(data) < _RLE_HEADER:
        raise _damaged(name, index)
    count, *offsets = struct.unpack_from("<16I", data)
    if count != planes or count > _RLE_SEGMENTS:
        msg = (
            f"Frame {index} of {name} has {count} RLE segments where {planes} belong: the file is damaged, export it "
            "again."
        )
        raise InputError(msg, file=name, frame=index)
    bounds = (*offsets[:count], len(data))
    if bounds[0] < _RLE_HEADER or any(b < a for a, b in itertools.pairwise(bounds)):
        raise _damaged(name, index)
    pixels = layout.rows * layout.columns
    cells = np.zeros(pixels, layout.cell)
    for start, end in itertools.pairwise(bounds):
        try:
            plane = imagecodecs.packbits_decode(data[start:end], out=bytearray(pixels + 2))
        except (RuntimeError, ValueError) as error:
            raise _damaged(name, index) from error
        if not pixels <= len(plane) <= pixels + 1:
            raise _damaged(name, index)
        cells = (cells << 8) | np.frombuffer(plane, np.uint8, pixels) if planes > 1 else np.frombuffer(plane, np.uint8)
    return layout.values(cells[:pixels].reshape(layout.rows, layout.columns))


def decode_deflated(data: bytes, layout: PixelFormat, name: str, index: int) -> bytes:
    """Inflate one frame (DICOM PS3.5 section A.4.11: raw deflate per frame), never beyond the frame's size.

    Raises
    ------
    InputError
        If the data are damaged or too few.
    """
    try:
        raw = zlib.decompressobj(-zlib.MAX_WBITS).decompress(data, layout.frame_bytes)
    except zlib.error as error:
        raise _damaged(name, index) from error
    if len(raw) < layout.frame_bytes:
        raise _damaged(name, index)
    return raw


def native(raw: bytes, layout: PixelFormat, order: Order) -> Stored:
    """Uncompressed values of one frame.

    Parameters
    ----------
    raw : bytes
        ``layout.frame_bytes`` bytes.
    layout : PixelFormat
        What the header says.
    order : {"<", ">"}
        ``"<"`` or ``">"``.
    """
    cells = np.frombuffer(raw, layout.cell.newbyteorder(order)).astype(layout.cell)
    return layout.values(cells.reshape(layout.rows, layout.columns))


def _damaged(name: str, index: int) -> InputError:
    msg = f"Frame {index} of {name} has damaged pixel data: copy or export the file again."
    return InputError(msg, file=name, frame=index)
