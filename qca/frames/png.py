"""A PNG file: one frame of 8 or 16 bit grey.

The chunks are walked and checked here (ISO/IEC 15948, section 5.3); only those that hold the picture reach the decoder.
Gamma, colour profile and text of the file are never read: the stored values are what counts.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from types import MappingProxyType

from qca.errors import InputError, UnsupportedFrame
from qca.frames.byte_reader import FileBytes
from qca.frames.frame import Frame
from qca.frames.greyness import Stored, one_channel
from qca.frames.limits import CHUNK_BYTES, MAX_CODED_EXCESS, MAX_ELEMENTS, MAX_SIDE
from qca.frames.picture import plain_frame
from qca.frames.record import FrameFile

SIGNATURE = b"\x89PNG\r\n\x1a\n"

_KINDS = {0: "grey", 2: "RGB", 3: "palette", 4: "grey with alpha", 6: "RGB with alpha"}
_MOST_BYTES_PER_PIXEL = 8
_KEPT = (b"IHDR", b"PLTE", b"IDAT", b"IEND")


@dataclass(frozen=True, slots=True)
class PngFrames:
    """A PNG file.

    Parameters
    ----------
    record : FrameFile
        What is known without decoding.
    chunks : tuple of (int, int)
        Offset and length, length field to checksum, of the chunks that hold the picture.
    """

    record: FrameFile
    chunks: tuple[tuple[int, int], ...]

    def stored(self, source: FileBytes, index: int) -> Stored:
        """Return the stored grey values of the picture.

        Raises
        ------
        InputError
            If the picture is damaged.
        UnsupportedFrame
            If it is in colour.
        """
        import imagecodecs

        record = self.record
        chunks = [source.read(offset, length) for offset, length in self.chunks]
        if not all(_sound(chunk) for chunk in chunks):
            msg = f"{record.file} has damaged picture data (a checksum is wrong): save or copy it again."
            raise InputError(msg, file=record.file)
        if _inflates_beyond(chunks, _MOST_BYTES_PER_PIXEL * record.rows * record.columns + MAX_CODED_EXCESS):
            msg = (
                f"{record.file} unpacks to far more data than a picture of {record.rows} rows by {record.columns} "
                "columns has: it is damaged or not what it says."
            )
            raise InputError(msg, file=record.file)
        try:
            found = imagecodecs.png_decode(SIGNATURE + b"".join(chunks))
        except (RuntimeError, ValueError, MemoryError) as error:
            msg = f"{record.file} has damaged picture data: save or copy it again."
            raise InputError(msg, file=record.file) from error
        if found.shape[:2] != (record.rows, record.columns) or found.dtype.name != record.dtype:
            msg = f"{record.file} is not the picture that its header says: save it again."
            raise InputError(msg, file=record.file)
        return one_channel(found, record.file, index)

    def frame(self, source: FileBytes, index: int, sha256: str) -> Frame:
        """Decode the picture and say what is known about it.

        Raises
        ------
        InputError
            If the picture cannot be used.
        """
        return plain_frame(self.record, self.stored(source, index), index, sha256)


def open_png(source: FileBytes) -> PngFrames:
    """Check the chunks of a PNG file.

    Raises
    ------
    InputError
        If the file is damaged or cut short, or the picture too large.
    UnsupportedFrame
        If it is no 8 or 16 bit picture.
    """
    name = source.name
    chunks: list[tuple[int, int]] = []
    kinds: list[bytes] = []
    aspect, warnings = 1.0, []
    offset = len(SIGNATURE)
    for _ in range(MAX_ELEMENTS):
        head = source.read(offset, 8)
        length, kind = struct.unpack(">I4s", head) if len(head) == 8 else (0, b"")
        if not kind or offset + 12 + length > (source.size or 0):
            msg = f"{name} is cut short (its PNG data end at byte {source.size}): copy it again."
            raise InputError(msg, file=name)
        if kind in _KEPT:
            chunks.append((offset, length + 12))
            kinds.append(kind)
        elif kind == b"pHYs" and length == 9:
            across, down = struct.unpack(">II", source.read(offset + 8, 8))
            if across and down and across != down and 0.2 <= across / down <= 5:
                aspect = across / down
                warnings.append(f"Pixels are not square: {aspect:.4f} times as high as wide, as the file says.")
        offset += 12 + length
        if kind == b"IEND":
            break
    if kinds[:1] != [b"IHDR"] or kinds.count(b"IHDR") != 1 or b"IDAT" not in kinds or kinds[-1] != b"IEND":
        msg = f"{name} has its PNG parts missing or in disorder: save it again."
        raise InputError(msg, file=name)
    columns, rows, bits, interlaced, text = _header(source, chunks[0])
    if sum(length for _, length in chunks) > 2 * _MOST_BYTES_PER_PIXEL * rows * columns + MAX_CODED_EXCESS:
        msg = f"{name} has far more data than a picture of {rows} rows by {columns} columns can need: save it again."
        raise InputError(msg, file=name)
    return PngFrames(
        FrameFile(
            file=name,
            format="PNG",
            count=1,
            rows=rows,
            columns=columns,
            dtype="uint8" if bits == 8 else "uint16",
            grey_range=(0.0, float(2**bits - 1)),
            bits_stored=bits,
            coding=f"PNG, {bits} bit {text}",
            pixel_aspect=aspect,
            warnings=tuple(warnings),
            detail=MappingProxyType({"format": "PNG", "bits_stored": bits, "colour": text, "interlaced": interlaced}),
        ),
        tuple(chunks),
    )


def _header(source: FileBytes, chunk: tuple[int, int]) -> tuple[int, int, int, bool, str]:
    """Columns, rows, bits, interlaced and kind of colour of a checked IHDR chunk."""
    name = source.name
    raw = source.read(*chunk)
    if len(raw) != 25 or not _sound(raw):
        msg = f"{name} has a damaged PNG header: save or copy it again."
        raise InputError(msg, file=name)
    columns, rows, bits, colour, coding, filtering, interlace = struct.unpack(">IIBBBBB", raw[8:21])
    if not (1 <= rows <= MAX_SIDE and 1 <= columns <= MAX_SIDE):
        msg = f"{name} states {rows} rows by {columns} columns; 1 to {MAX_SIDE} are possible: crop or save it again."
        raise InputError(msg, file=name)
    if colour not in _KINDS or coding or filtering or interlace > 1:
        msg = f"{name} is no PNG that the standard knows (colour type {colour}): save it again."
        raise InputError(msg, file=name)
    if bits not in (8, 16):
        msg = f"{name} has {bits} bit per value; 8 and 16 bit grey can be measured: save it as 8 or 16 bit grey."
        raise UnsupportedFrame(msg, file=name)
    return columns, rows, bits, bool(interlace), _KINDS[colour]


def _inflates_beyond(chunks: list[bytes], most: int) -> bool:
    """Whether the picture data unpack to more than ``most`` bytes; a decoder would go through gigabytes of it.

    Nothing is kept of what is unpacked. Where the data are damaged it is the decoder that refuses them.
    """
    machine, total = zlib.decompressobj(), 0
    for chunk in chunks:
        if chunk[4:8] != b"IDAT":
            continue
        rest = chunk[8:-4]
        while rest and not machine.eof:
            try:
                total += len(machine.decompress(rest, CHUNK_BYTES))
            except zlib.error:
                return False
            if total > most:
                return True
            rest = machine.unconsumed_tail
    return False


def _sound(chunk: bytes) -> bool:
    """Hold a chunk, length field to checksum, against its checksum."""
    return len(chunk) >= 12 and zlib.crc32(chunk[4:-4]) == struct.unpack(">I", chunk[-4:])[0]
