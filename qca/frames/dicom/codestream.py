"""What a JPEG, JPEG-LS or JPEG 2000 codestream says of itself, read before a decoder sees it.

A decoder takes its size from the codestream, not from the DICOM header: one that claims 20000 x 20000 pixels would take
gigabytes. And a decoder that meets the end too early may fill up with grey and say nothing, so the end is looked for
here. Marker codes: ISO/IEC 10918-1 (JPEG), 14495-1 (JPEG-LS), 15444-1 (JPEG 2000), 15444-15 (high throughput).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

from qca.errors import InputError, UnsupportedFrame
from qca.frames.dicom.pixel_format import PixelFormat
from qca.frames.limits import MAX_TILES

_SOI, _JPEG_END, _SOS = b"\xff\xd8", b"\xff\xd9", 0xDA
_FRAME_HEADERS = {0xC0: "jpeg", 0xC1: "jpeg", 0xC3: "jpeg lossless", 0xF7: "jpeg-ls"}
_OTHER_FRAME_HEADERS = frozenset([0xC2, *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0)])
_LS_EXTENSION, _LS_OVERSIZE = 0xF8, 4
_J2K_BEGIN, _SIZ, _COD, _CAP, _SOT = b"\xff\x4f\xff\x51", 0x51, 0x52, 0x50, 0x90


@dataclass(frozen=True, slots=True)
class Codestream:
    """One compressed frame.

    Parameters
    ----------
    kind : str
        ``"jpeg"``, ``"jpeg lossless"``, ``"jpeg-ls"``, ``"jpeg 2000"`` or ``"htj2k"``.
    data : bytes
        The codestream alone, without container and padding.
    precision : int
        Bits per value.
    signed : bool
        True where the codestream holds signed values.
    lossy : bool
        True where it cannot be lossless.
    """

    kind: str
    data: bytes
    precision: int
    signed: bool
    lossy: bool


def read_codestream(data: bytes, layout: PixelFormat, name: str, index: int) -> Codestream:
    """Find out what a codestream is and hold it against the header.

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

    Raises
    ------
    InputError
        If it is damaged, cut short, or of another size than the header says.
    UnsupportedFrame
        If it is of a kind that DICOM does not allow.
    """
    reader = _Reader(data, layout, name, index)
    if data.startswith(_SOI):
        return reader.jpeg()
    if data.startswith(_J2K_BEGIN):
        return reader.jpeg_2000(0)
    if data[4:8] != b"jP  ":
        reader.fail("does not begin like a JPEG, JPEG-LS or JPEG 2000 codestream")
    return reader.jpeg_2000(reader.inside_boxes())


@dataclass(frozen=True, slots=True)
class _Reader:
    data: bytes
    layout: PixelFormat
    name: str
    index: int

    def fail(self, what: str) -> NoReturn:
        msg = f"Frame {self.index} of {self.name} {what}: the file is damaged or was written wrongly, export it again."
        raise InputError(msg, file=self.name, frame=self.index)

    def number(self, letter: str, offset: int) -> int:
        if offset + struct.calcsize(letter) > len(self.data):
            self.fail("is cut short in its codestream header")
        return int(struct.unpack_from(">" + letter, self.data, offset)[0])

    def jpeg(self) -> Codestream:
        """Read marker segments up to the first scan (ISO/IEC 10918-1 annex B)."""
        kind, precision, scan = "", 0, 0
        for marker, body, following in self.segments():
            scan = following
            if marker in _OTHER_FRAME_HEADERS:
                msg = (
                    f"Frame {self.index} of {self.name} is coded as progressive, hierarchical or arithmetic JPEG, "
                    "which DICOM no longer allows: export it again as JPEG Lossless."
                )
                raise UnsupportedFrame(msg, file=self.name, frame=self.index)
            if marker in _FRAME_HEADERS:
                if kind:
                    self.fail("has two JPEG frame headers")
                kind, precision = _FRAME_HEADERS[marker], self.number("B", body)
                rows, columns = self.number("H", body + 1), self.number("H", body + 3)
                self.agree(rows, columns, self.number("B", body + 5), precision)
            if marker == _LS_EXTENSION and self.number("B", body) == _LS_OVERSIZE:
                self.fail("states its size twice")
        if not kind:
            self.fail("has no JPEG frame header")
        # The scan header ends with three bytes: NEAR, interleave, Al in JPEG-LS; Ss, Se, Ah and Al in JPEG.
        near, point_transform = self.data[scan - 3], self.data[scan - 1] & 0x0F
        lossy = {"jpeg": True, "jpeg-ls": near != 0, "jpeg lossless": point_transform != 0}[kind]
        end = self.data.find(_JPEG_END, scan)
        if end < 0:
            self.fail("ends before its picture is complete")
        return Codestream(kind, self.data[: end + 2], precision, signed=False, lossy=lossy)

    def segments(self) -> Iterator[tuple[int, int, int]]:
        """Marker, first byte of the content, and the byte after it, up to the first scan header."""
        offset, marker = 2, 0
        while marker != _SOS:
            while self.number("H", offset) == 0xFFFF:
                offset += 1
            marker, length = self.number("B", offset + 1), self.number("H", offset + 2)
            end = offset + 2 + length
            if self.data[offset] != 0xFF or length < 3 or end > len(self.data):
                self.fail(f"has a damaged JPEG header (byte {offset})")
            yield marker, offset + 4, end
            offset = end

    def inside_boxes(self) -> int:
        """Where the codestream begins in a JPEG 2000 file (ISO/IEC 15444-1 annex I)."""
        offset = 0
        while True:
            length, header = self.number("I", offset), 8
            if length == 1:
                length, header = self.number("Q", offset + 8), 16
            if self.data[offset + 4 : offset + 8] == b"jp2c":
                return offset + header
            if length < header:
                self.fail("has no codestream in its JPEG 2000 boxes")
            offset += length

    def jpeg_2000(self, start: int) -> Codestream:
        """Read the main header up to the first tile (ISO/IEC 15444-1 annex A)."""
        data = self.data[start:]
        reader = _Reader(data, self.layout, self.name, self.index)
        if not data.startswith(_J2K_BEGIN):
            self.fail("has no JPEG 2000 codestream where it should begin")
        offset, kind, lossy = 2, "jpeg 2000", False
        depth = 0
        while True:
            marker, length = reader.number("H", offset), reader.number("H", offset + 2)
            if marker == 0xFF00 | _SOT:
                break
            if marker < 0xFF50 or length < 2 or offset + 2 + length > len(data):
                self.fail(f"has a damaged JPEG 2000 header (byte {offset})")
            body = offset + 4
            if marker == 0xFF00 | _SIZ:
                if depth:
                    self.fail("states its size twice")
                depth = reader.size(body)
            elif marker == 0xFF00 | _CAP:
                kind = "htj2k"
            elif marker == 0xFF00 | _COD:
                lossy = reader.number("B", body + 9) == 0
            offset += 2 + length
        end = data.rfind(_JPEG_END)
        if kind == "htj2k" and end < len(data) - 16:
            self.fail("ends before its picture is complete")
        return Codestream(kind, data, (depth & 0x7F) + 1, signed=depth >= 0x80, lossy=lossy)

    def size(self, body: int) -> int:
        """Check the SIZ segment; give the depth byte of the one component."""
        width, height, left, top, tile_width, tile_height, tile_left, tile_top = (
            self.number("I", body + 2 + 4 * n) for n in range(8)
        )
        components, depth = self.number("H", body + 34), self.number("B", body + 36)
        steps = (self.number("B", body + 37), self.number("B", body + 38))
        if steps != (1, 1) or left or top or tile_left or tile_top or not tile_width or not tile_height:
            self.fail("has an unusual JPEG 2000 grid")
        self.agree(height, width, components, (depth & 0x7F) + 1)
        if -(-width // tile_width) * -(-height // tile_height) > MAX_TILES:
            self.fail(f"is cut into more than {MAX_TILES} tiles")
        return depth

    def agree(self, rows: int, columns: int, components: int, precision: int) -> None:
        """Hold size, components and bits of the codestream against the header."""
        layout = self.layout
        if (rows, columns) != (layout.rows, layout.columns):
            self.fail(
                f"is coded as {rows} rows by {columns} columns where the header says {layout.rows} by {layout.columns}"
            )
        if components != 1:
            self.fail(f"is coded with {components} values per pixel where the header says 1")
        if not 2 <= precision <= layout.allocated:
            self.fail(f"is coded with {precision} bits per value where the header allocates {layout.allocated}")
