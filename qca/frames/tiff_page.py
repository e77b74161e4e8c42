"""One page of a TIFF file: its directory, checked (TIFF 6.0, sections 2, 8 and 15; BigTIFF for offsets of 64 bits)."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NoReturn

from qca.errors import InputError, UnsupportedFrame
from qca.frames.byte_reader import Bytes
from qca.frames.limits import MAX_SIDE, MAX_TILES

_MOST_ENTRIES = 4096
_TYPES = {1: ("B", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 16: ("Q", 8)}
_COMPRESSIONS = {1: "uncompressed", 5: "LZW", 8: "deflate", 32946: "deflate", 32773: "PackBits"}
_KNOWN_OTHERS = {2: "fax", 3: "fax", 4: "fax", 6: "JPEG", 7: "JPEG", 34712: "JPEG 2000", 50000: "Zstandard"}


@dataclass(frozen=True, slots=True)
class TiffLayout:
    """How numbers are written in a TIFF file: byte order (``"<"`` or ``">"``) and whether it is a BigTIFF."""

    order: Literal["<", ">"]
    big: bool

    @property
    def entry(self) -> str:
        """Format of one directory entry: tag, type, count, value or offset."""
        return self.order + ("HHQ8s" if self.big else "HHI4s")

    @property
    def offset(self) -> str:
        """Format of an offset."""
        return self.order + ("Q" if self.big else "I")

    @property
    def count(self) -> str:
        """Format of the number of entries."""
        return self.order + ("Q" if self.big else "H")


@dataclass(frozen=True, slots=True)
class TiffPage:
    """A page that can be decoded.

    Parameters
    ----------
    rows, columns, bits, samples : int
        Size; bits per sample; samples per pixel.
    white_is_zero : bool
        Values are the other way round.
    compression : str
        Name of the compression.
    differenced : bool
        Values are horizontal differences (predictor 2).
    planes_apart : bool
        Each sample has strips of its own.
    block_rows, block_columns : int
        Size of a strip or tile.
    tiled : bool
        Tiles, not strips.
    offsets, counts : tuple of int
        Where the strips or tiles are, and their bytes.
    aspect : float
        Row pitch divided by column pitch.
    turned : bool
        The file asks for the page to be shown turned or mirrored.
    """

    rows: int
    columns: int
    bits: int
    samples: int
    white_is_zero: bool
    compression: str
    differenced: bool
    planes_apart: bool
    block_rows: int
    block_columns: int
    tiled: bool
    offsets: tuple[int, ...]
    counts: tuple[int, ...]
    aspect: float
    turned: bool


@dataclass(frozen=True, slots=True)
class Directory:
    """The raw entries of a page's directory.

    Parameters
    ----------
    source : Bytes
        The file.
    layout : TiffLayout
        How it is written.
    page : int
        Zero-based number, for messages.
    entries : mapping
        Tag to type, count and raw value or offset.
    following : int
        Offset of the next directory; 0 at the last.
    """

    source: Bytes
    layout: TiffLayout
    page: int
    entries: Mapping[int, tuple[int, int, bytes]]
    following: int

    def fail(self, what: str) -> NoReturn:
        """Refuse the page as damaged."""
        name = self.source.name
        msg = f"Page {self.page} of {name} {what}: the TIFF file is damaged, save or copy it again."
        raise InputError(msg, file=name, frame=self.page)

    def refuse(self, what: str) -> NoReturn:
        """Refuse the page as something that cannot be measured."""
        name = self.source.name
        msg = f"Page {self.page} of {name} {what}: save it as 8 or 16 bit grey, uncompressed or deflated."
        raise UnsupportedFrame(msg, file=name, frame=self.page)

    def values(self, tag: int, most: int = 4) -> tuple[int, ...]:
        """Whole numbers of an entry; none when it is absent."""
        if tag not in self.entries:
            return ()
        kind, count, raw = self.entries[tag]
        if kind not in _TYPES or count > most:
            self.fail(f"has {count} values of type {kind} for tag {tag}")
        letter, size = _TYPES[kind]
        if size * count > len(raw):
            (offset,) = struct.unpack(self.layout.offset, raw)
            raw = self.source.read(offset, size * count)
            if len(raw) < size * count:
                self.fail(f"is cut short (tag {tag})")
        return struct.unpack(f"{self.layout.order}{count * len(letter)}{letter[0]}", raw[: size * count])

    def single(self, tag: int, otherwise: int) -> int:
        """First value of an entry."""
        return (self.values(tag) or (otherwise,))[0]

    @property
    def is_extra(self) -> bool:
        """True for a thumbnail or a mask, which is no frame."""
        return bool(self.single(254, 0) & 0b101)

    def size(self) -> tuple[int, int]:
        """Rows and columns, checked."""
        rows, columns = self.single(257, 0), self.single(256, 0)
        if not (1 <= rows <= MAX_SIDE and 1 <= columns <= MAX_SIDE):
            self.fail(f"states {rows} rows by {columns} columns, where 1 to {MAX_SIDE} are possible")
        return rows, columns

    def read(self) -> TiffPage:
        """Check everything that decoding relies on.

        Raises
        ------
        InputError
            If the directory is damaged.
        UnsupportedFrame
            If the page is of a kind that cannot be measured.
        """
        rows, columns = self.size()
        samples = self.single(277, 1)
        bits = set(self.values(258, 16) or (1,))
        if bits not in ({8}, {16}) or not 1 <= samples <= 4:
            listed = ", ".join(str(one) for one in sorted(bits))
            self.refuse(f"has {samples} values of {listed} bit per pixel")
        if set(self.values(339, 16) or (1,)) - {1, 4}:
            self.refuse("holds signed or floating point values")
        compression, photometric = self.single(259, 1), self.single(262, 1)
        if compression not in _COMPRESSIONS:
            self.refuse(f"is compressed as {_KNOWN_OTHERS.get(compression, f'scheme {compression}')}")
        if photometric not in (0, 1, 2) or (photometric == 2) != (samples >= 3):
            self.refuse(f"is neither grey nor RGB (photometric interpretation {photometric}, {samples} samples)")
        if self.single(317, 1) not in (1, 2) or self.single(266, 1) != 1:
            self.refuse("uses a predictor or bit order that is not known")
        tiled = 322 in self.entries
        block_rows = self.single(323, 0) if tiled else min(self.single(278, rows), rows)
        block_columns = self.single(322, 0) if tiled else columns
        if not (1 <= block_rows <= 2 * MAX_SIDE and 1 <= block_columns <= 2 * MAX_SIDE):
            self.fail(f"has strips or tiles of {block_rows} rows by {block_columns} columns")
        apart = self.single(284, 1) == 2 and samples > 1
        count = -(-rows // block_rows) * -(-columns // block_columns) * (samples if apart else 1)
        if tiled and count > MAX_TILES:
            self.fail(f"is cut into more than {MAX_TILES} tiles")
        offsets, counts = self.values(324 if tiled else 273, count), self.values(325 if tiled else 279, count)
        if len(offsets) != count or len(counts) != count:
            self.fail(f"has {len(offsets)} strips or tiles where {count} are needed")
        return TiffPage(
            rows=rows,
            columns=columns,
            bits=min(bits),
            samples=samples,
            white_is_zero=photometric == 0,
            compression=_COMPRESSIONS[compression],
            differenced=self.single(317, 1) == 2,
            planes_apart=apart,
            block_rows=block_rows,
            block_columns=block_columns,
            tiled=tiled,
            offsets=offsets,
            counts=counts,
            aspect=self._aspect(),
            turned=self.single(274, 1) != 1,
        )

    def _aspect(self) -> float:
        """Row pitch divided by column pitch, from the resolutions."""
        across, down = self.values(282), self.values(283)
        if len(across) != 2 or len(down) != 2 or 0 in across or 0 in down:
            return 1.0
        ratio = (across[0] / across[1]) / (down[0] / down[1])
        return ratio if 0.2 <= ratio <= 5 else 1.0


def read_directory(source: Bytes, layout: TiffLayout, offset: int, page: int) -> Directory:
    """Read the entries of one directory.

    Raises
    ------
    InputError
        If the file ends inside it or it is absurdly long.
    """
    empty = Directory(source, layout, page, {}, 0)
    head = struct.calcsize(layout.count)
    raw = source.read(offset, head)
    (count,) = struct.unpack(layout.count, raw) if len(raw) == head else (0,)
    size = struct.calcsize(layout.entry)
    tail = struct.calcsize(layout.offset)
    if not 1 <= count <= _MOST_ENTRIES:
        empty.fail("has no directory where it should be")
    body = source.read(offset + head, count * size + tail)
    if len(body) < count * size:
        empty.fail("is cut short in its directory")
    entries: dict[int, tuple[int, int, bytes]] = {}
    for number in range(count):
        tag, kind, values, raw = struct.unpack_from(layout.entry, body, number * size)
        entries.setdefault(tag, (kind, values, raw))
    following = struct.unpack_from(layout.offset, body, count * size)[0] if len(body) == count * size + tail else 0
    return Directory(source, layout, page, entries, following)
