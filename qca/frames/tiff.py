"""A TIFF file: each page a frame of 8 or 16 bit grey."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from qca.errors import InputError, UnsupportedFrame
from qca.frames.byte_reader import FileBytes
from qca.frames.frame import Frame
from qca.frames.greyness import Stored, one_channel
from qca.frames.limits import MAX_CODED_EXCESS, MAX_FRAMES
from qca.frames.picture import plain_frame
from qca.frames.record import FrameFile
from qca.frames.tiff_page import TiffLayout, TiffPage, read_directory

SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True, slots=True)
class TiffFrames:
    """A TIFF file.

    Parameters
    ----------
    record : FrameFile
        What is known without decoding.
    layout : TiffLayout
        How it is written.
    pages : tuple of int
        Offset of each frame's directory.
    """

    record: FrameFile
    layout: TiffLayout
    pages: tuple[int, ...]

    def stored(self, source: FileBytes, index: int) -> Stored:
        """Return the stored grey values of one page; large is bright.

        Raises
        ------
        InputError
            If the page is damaged.
        UnsupportedFrame
            If it is in colour or of another kind than the first.
        """
        return self._decode(source, index)[0]

    def frame(self, source: FileBytes, index: int, sha256: str) -> Frame:
        """Decode one page and say what is known about it.

        Raises
        ------
        InputError
            If the page cannot be used.
        """
        stored, page = self._decode(source, index)
        return plain_frame(self.record, stored, index, sha256, inverted=page.white_is_zero)

    def _decode(self, source: FileBytes, index: int) -> tuple[Stored, TiffPage]:
        record = self.record
        page = read_directory(source, self.layout, self.pages[index], index).read()
        if (page.rows, page.columns, page.bits) != (record.rows, record.columns, record.bits_stored):
            msg = (
                f"Page {index} of {record.file} has another size or depth than the first: put frames of one kind into "
                "one file."
            )
            raise UnsupportedFrame(msg, file=record.file, frame=index)
        found = one_channel(_picture(source, page, self.layout, index), record.file, index)
        if page.white_is_zero:
            found = np.iinfo(found.dtype).max - found
        return found, page


def open_tiff(source: FileBytes) -> TiffFrames:
    """Find the pages of a TIFF file.

    Raises
    ------
    InputError
        If the file is damaged or cut short, or a page too large.
    UnsupportedFrame
        If its first page cannot be measured, or pages differ in size.
    """
    name = source.name
    head = source.read(0, 16)
    order: Literal["<", ">"] = "<" if head[:2] == b"II" else ">"
    big = head[2:4] in (b"+\0", b"\0+")
    layout = TiffLayout(order, big)
    at = 8 if big else 4
    if len(head) < at + struct.calcsize(layout.offset):
        msg = f"{name} is cut short after {len(head)} bytes: copy it again."
        raise InputError(msg, file=name)
    (offset,) = struct.unpack_from(layout.offset, head, at)
    pages: list[int] = []
    seen: set[int] = set()
    first: tuple[int, int] | None = None
    while offset and len(seen) <= MAX_FRAMES:
        if offset in seen:
            msg = f"{name} has pages that lead back to each other: save it again."
            raise InputError(msg, file=name)
        seen.add(offset)
        directory = read_directory(source, layout, offset, len(pages))
        if not directory.is_extra:
            first = first or directory.size()
            if directory.size() != first:
                msg = f"{name} has pages of different size: put frames of one size into one file."
                raise UnsupportedFrame(msg, file=name, frame=len(pages))
            pages.append(offset)
        offset = directory.following
    if not pages or offset:
        msg = f"{name} has {len(pages)} pages; 1 to {MAX_FRAMES} are read: save it again."
        raise InputError(msg, file=name)
    page = read_directory(source, layout, pages[0], 0).read()
    warnings = []
    if page.aspect != 1:
        warnings.append(f"Pixels are not square: {page.aspect:.4f} times as high as wide, as the file says.")
    if page.turned:
        warnings.append("The file asks to be shown turned or mirrored; its pixels are taken as they are stored.")
    detail = {
        "format": "TIFF",
        "bits_stored": page.bits,
        "compression": page.compression,
        "samples_per_pixel": page.samples,
    }
    record = FrameFile(
        file=name,
        format="TIFF",
        count=len(pages),
        rows=page.rows,
        columns=page.columns,
        dtype="uint8" if page.bits == 8 else "uint16",
        grey_range=(0.0, float(2**page.bits - 1)),
        bits_stored=page.bits,
        coding=f"TIFF, {page.bits} bit, {page.compression}",
        pixel_aspect=page.aspect,
        warnings=tuple(warnings),
    )
    return TiffFrames(replace(record, detail=MappingProxyType(detail)), layout, tuple(pages))


def _picture(source: FileBytes, page: TiffPage, layout: TiffLayout, index: int) -> Stored:
    """Put the strips or tiles of a page together; shape (rows, columns) or (rows, columns, samples)."""
    cell = np.dtype(np.uint8 if page.bits == 8 else np.uint16)
    per_block = 1 if page.planes_apart else page.samples
    picture = np.empty((page.rows, page.columns, page.samples), cell)
    across = -(-page.columns // page.block_columns)
    down = -(-page.rows // page.block_rows)
    for number, (offset, count) in enumerate(zip(page.offsets, page.counts, strict=True)):
        plane, place = divmod(number, across * down)
        top, left = (place // across) * page.block_rows, (place % across) * page.block_columns
        high = page.block_rows if page.tiled else min(page.block_rows, page.rows - top)
        size = high * page.block_columns * per_block * cell.itemsize
        if count > 2 * size + MAX_CODED_EXCESS:
            raise _damaged(source.name, index)
        raw = _inflated(source.read(offset, count), page.compression, size, source.name, index)
        if len(raw) < size:
            raise _damaged(source.name, index)
        block = np.frombuffer(raw, cell.newbyteorder(layout.order), size // cell.itemsize).astype(cell)
        block = block.reshape(high, page.block_columns, per_block)
        if page.differenced:
            block = np.add.accumulate(block, axis=1, dtype=cell)
        bottom, right = min(top + high, page.rows), min(left + page.block_columns, page.columns)
        channels = slice(plane, plane + 1) if page.planes_apart else slice(None)
        picture[top:bottom, left:right, channels] = block[: bottom - top, : right - left]
    return picture[..., 0] if page.samples == 1 else picture


def _inflated(data: bytes, compression: str, size: int, name: str, index: int) -> bytes:
    """Uncompressed bytes of a strip or tile, never more than ``size``."""
    if compression == "uncompressed":
        return data[:size]
    try:
        if compression == "deflate":
            return zlib.decompressobj().decompress(data, size)
        import imagecodecs

        if compression == "LZW":
            return bytes(imagecodecs.lzw_decode(data, out=size))
        return bytes(imagecodecs.packbits_decode(data, out=bytearray(size)))
    except (RuntimeError, ValueError, zlib.error) as error:
        raise _damaged(name, index) from error


def _damaged(name: str, index: int) -> InputError:
    msg = f"Page {index} of {name} has damaged picture data: save or copy the TIFF file again."
    return InputError(msg, file=name, frame=index)
