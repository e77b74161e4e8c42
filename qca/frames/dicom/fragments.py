"""Which bytes of encapsulated pixel data belong to which frame (DICOM PS3.5 section A.4).

The offset tables are believed only where every offset meets a fragment. Without one: one fragment per frame, or all
fragments for a single frame, or a new frame at each fragment that begins like a codestream.
"""

from __future__ import annotations

import itertools
import struct
from dataclasses import dataclass

from qca.errors import InputError
from qca.frames.byte_reader import Bytes
from qca.frames.dicom.elements import ITEM, SEQUENCE_END, UNDEFINED
from qca.frames.limits import CHUNK_BYTES, MAX_ELEMENTS, MAX_FRAMES

Span = tuple[int, int]

_BEGINNINGS = (b"\xff\xd8\xff", b"\xff\x4f\xff\x51", b"\x00\x00\x00\x0cjP")
"""JPEG and JPEG-LS (ISO/IEC 10918-1, 14495-1), JPEG 2000 codestream and file (ISO/IEC 15444-1)."""


@dataclass(frozen=True, slots=True)
class Fragments:
    """Frames as spans of bytes.

    Parameters
    ----------
    frames : tuple of tuple of (int, int)
        Per frame, offset and length of each of its fragments.
    cut_short : bool
        True when the file ends before the pixel data do; a last frame that lost a part fails when it is decoded.
    """

    frames: tuple[tuple[Span, ...], ...]
    cut_short: bool


def find_fragments(source: Bytes, start: int, declared: int, extended: bytes, *, one_each: bool) -> Fragments:
    """Assign fragments to frames.

    Parameters
    ----------
    source : Bytes
        The file.
    start : int
        First byte after the header of the pixel data element.
    declared : int
        Number of Frames of the header; 0 when absent.
    extended : bytes
        Value of the Extended Offset Table, or empty.
    one_each : bool
        True where the transfer syntax allows one fragment per frame only (RLE).

    Raises
    ------
    InputError
        If there is something else than fragments, or too many.
    """
    spans, basic, cut_short = _walk(source, start)
    frames: tuple[tuple[Span, ...], ...] = tuple((span,) for span in spans)
    if not one_each and len(spans) != declared:
        table = _offsets(extended, "Q") or _offsets(basic, "I")
        starts = _by_table(spans, table) or _by_beginning(source, spans, declared)
        frames = tuple(spans[first:last] for first, last in itertools.pairwise((*starts, len(spans)))) if spans else ()
    if len(frames) > MAX_FRAMES:
        msg = f"{source.name} holds {len(frames)} frames, more than the {MAX_FRAMES} that are read: split the run."
        raise InputError(msg, file=source.name)
    return Fragments(frames, cut_short)


def _walk(source: Bytes, start: int) -> tuple[tuple[Span, ...], bytes, bool]:
    """All fragments that are whole, the Basic Offset Table, and whether the file ends too early."""
    spans: list[Span] = []
    basic: bytes | None = None
    offset, size = start, source.size or 0
    for _ in range(MAX_ELEMENTS):
        head = source.read(offset, 8)
        if len(head) < 8:
            return tuple(spans), basic or b"", True
        group, number, length = struct.unpack("<HHI", head)
        tag = group << 16 | number
        if tag == SEQUENCE_END:
            return tuple(spans), basic or b"", False
        if tag != ITEM or length == UNDEFINED:
            msg = (
                f"{source.name} has damaged pixel data (byte {offset} is not the start of a fragment): copy the file "
                "again."
            )
            raise InputError(msg, file=source.name)
        if offset + 8 + length > size:
            return tuple(spans), basic or b"", True
        if basic is None:
            basic = source.read(offset + 8, length) if length <= CHUNK_BYTES else b""
        elif length:
            spans.append((offset + 8, length))
        offset += 8 + length
    msg = f"{source.name} has more than {MAX_ELEMENTS} pixel data fragments: it is damaged, copy it again."
    raise InputError(msg, file=source.name)


def _offsets(raw: bytes, letter: str) -> tuple[int, ...]:
    size = struct.calcsize(letter)
    return struct.unpack(f"<{len(raw) // size}{letter}", raw[: len(raw) // size * size])


def _by_table(spans: tuple[Span, ...], table: tuple[int, ...]) -> tuple[int, ...]:
    """Numbers of the fragments that begin a frame; empty when the table does not fit the fragments."""
    if not spans or not table or table[0] != 0:
        return ()
    base = spans[0][0] - 8
    place = {offset - 8 - base: number for number, (offset, _) in enumerate(spans)}
    starts = tuple(place.get(offset, -1) for offset in table if offset <= spans[-1][0] - 8 - base)
    rising = all(a < b for a, b in itertools.pairwise(starts))  # also false where an offset met no fragment
    return starts if rising else ()


def _by_beginning(source: Bytes, spans: tuple[Span, ...], declared: int) -> tuple[int, ...]:
    if not spans:
        return ()
    starts = tuple(n for n, (offset, _) in enumerate(spans) if source.read(offset, 6).startswith(_BEGINNINGS))
    if not starts or starts[0] != 0:
        return (0,) if declared <= 1 else tuple(range(len(spans)))
    return starts
