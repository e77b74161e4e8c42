"""Data elements of a DICOM data set: where each one is, how long it is, and the values that were asked for.

Strategy: one walk over the tags, in which every length is held against the bytes that are there, nesting and number of
elements are bounded, and only the values of listed tags are kept. Nobody's name is ever read, and there is no second
parser that could understand the same bytes differently. Formats: DICOM PS3.5, section 7.1 (elements), 7.5 (sequences),
A.4 (encapsulated pixel data), and 6.2.2 note 4 (UN of undefined length holds an implicit VR sequence).
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Literal, NoReturn

from qca.errors import InputError
from qca.frames.byte_reader import Bytes, MemoryBytes
from qca.frames.limits import MAX_DEPTH, MAX_ELEMENTS, MAX_HEADER_BYTES

Order = Literal["<", ">"]

UNDEFINED = 0xFFFFFFFF
PIXEL_DATA = 0x7FE00010
PIXEL_DATA_OTHER = (0x7FE00008, 0x7FE00009)
ITEM, ITEM_END, SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD

_LONG_VR = frozenset(b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split())
_SHORT_VR = frozenset(b"AE AS AT CS DA DS DT FL FD IS LO LT PN SH SL SS ST TM UI UL US".split())


@dataclass(frozen=True, slots=True)
class Coding:
    """How elements are written: with their value representation or without, and in which byte order."""

    explicit: bool
    big: bool = False

    @property
    def order(self) -> Order:
        """Byte order in the notation of ``struct``."""
        return ">" if self.big else "<"


IMPLICIT = Coding(explicit=False)
EXPLICIT = Coding(explicit=True)
EXPLICIT_BIG = Coding(explicit=True, big=True)


@dataclass(frozen=True, slots=True)
class Element:
    """One data element whose value is kept.

    Parameters
    ----------
    tag : int
        Group and element number, e.g. ``0x00280010``.
    vr : str
        Value representation as written; empty in implicit coding.
    value : bytes
        The value; of a sequence, its items.
    coding : Coding
        How ``value`` is written.
    """

    tag: int
    vr: str
    value: bytes
    coding: Coding


@dataclass(frozen=True, slots=True)
class Place:
    """Where an element is.

    Parameters
    ----------
    tag : int
        Group and element number.
    vr : str
        Value representation as written; empty in implicit coding.
    offset : int
        First byte of the value.
    length : int or None
        Bytes of the value; None for the undefined length of encapsulated pixel data.
    following : int
        First byte after the element.
    coding : Coding
        How the value is written.
    """

    tag: int
    vr: str
    offset: int
    length: int | None
    following: int
    coding: Coding


@dataclass(slots=True)
class Walk:
    """A walk over the elements of one file, counting them.

    Parameters
    ----------
    source : Bytes
        Where the bytes come from.
    steps : int
        Elements, items and fragments met so far.
    kept : int
        Bytes of values kept so far.
    """

    source: Bytes
    steps: int = field(default=0)
    kept: int = field(default=0)

    def places(
        self, start: int, end: int | None, coding: Coding, *, depth: int = 0, group: int | None = None
    ) -> Iterator[Place]:
        """Go from element to element; the pixel data of the file is the last one.

        Parameters
        ----------
        start, end : int
            First byte, and the byte after the last; None for the end of the source.
        coding : Coding
            How the elements are written.
        depth : int
            Sequences around them.
        group : int or None
            Stop before the first element of another group.

        Raises
        ------
        InputError
            If an element cannot be one: unknown value representation, longer than the file, nested too deep.
        """
        offset = start
        while end is None or offset < end:
            head = self.source.read(offset, 12 if end is None else min(12, end - offset))
            if not head and end is None:
                return
            if group is not None and head[:2] != struct.pack(coding.order + "H", group):
                return
            place = self._place(head, offset, end, coding, depth)
            if place is None:
                return
            yield place
            if place.tag == PIXEL_DATA and depth == 0:
                return
            offset = place.following

    def _place(self, head: bytes, offset: int, end: int | None, coding: Coding, depth: int) -> Place | None:
        """Understand the element that begins at ``offset``; None at the end of an item."""
        self._count(offset)
        if len(head) < 8:
            self._damaged(offset, "ends in the middle of an element")
        group, number = struct.unpack_from(coding.order + "HH", head)
        tag = group << 16 | number
        if tag == ITEM_END and depth:
            return None
        vr = b""
        if coding.explicit:
            vr = head[4:6]
            if vr in _SHORT_VR:
                length, header = struct.unpack_from(coding.order + "H", head, 6)[0], 8
            elif vr in _LONG_VR and len(head) == 12:
                length, header = struct.unpack_from(coding.order + "I", head, 8)[0], 12
            else:
                self._damaged(offset, "has no known value representation where one must stand")
        else:
            length, header = struct.unpack_from(coding.order + "I", head, 4)[0], 8
        offset += header
        name = vr.decode("ascii")
        if length != UNDEFINED:
            if not (tag == PIXEL_DATA and depth == 0) and not self._fits(offset + length, end):
                self._damaged(offset, f"has an element of {length} bytes, more than there are")
            return Place(tag, name, offset, length, offset + length, coding)
        if tag == PIXEL_DATA and depth == 0:
            return Place(tag, name, offset, None, offset, coding)
        inner = IMPLICIT if name == "UN" else coding
        if name not in ("SQ", "UN", "") and tag != PIXEL_DATA:
            self._damaged(offset, "has an element without length that is not a sequence")
        close = self._end_of_sequence(offset, end, inner, depth + 1)
        return Place(tag, "SQ", offset, close - 8 - offset, close, inner)

    def items(self, start: int, end: int | None, coding: Coding, depth: int = 1) -> Iterator[tuple[int, int]]:
        """Go from item to item of a sequence, giving first byte and the byte after the last of each.

        Ends at ``end``, or at the sequence's closing mark, which is given as the byte after it and -1.

        Raises
        ------
        InputError
            If something else than an item stands there.
        """
        if depth > MAX_DEPTH:
            self._damaged(start, f"has sequences nested more than {MAX_DEPTH} deep")
        offset = start
        while end is None or offset < end:
            self._count(offset)
            head = self.source.read(offset, 8)
            if len(head) < 8:
                self._damaged(offset, "ends in the middle of a sequence")
            group, number, length = struct.unpack(coding.order + "HHI", head)
            tag = group << 16 | number
            if tag == SEQUENCE_END:
                yield (offset + 8, -1)
                return
            if tag != ITEM:
                self._damaged(offset, "has something else than an item in a sequence")
            first = offset + 8
            if length == UNDEFINED:
                last = first
                for place in self.places(first, end, coding, depth=depth):
                    last = place.following
                if self.source.read(last, 4) != struct.pack(coding.order + "HH", 0xFFFE, 0xE00D):
                    self._damaged(last, "has an item without an end")
                yield (first, last)
                offset = last + 8
            else:
                if not self._fits(first + length, end):
                    self._damaged(offset, f"has an item of {length} bytes, more than there are")
                yield (first, first + length)
                offset = first + length

    def _end_of_sequence(self, start: int, end: int | None, coding: Coding, depth: int) -> int:
        """Byte after the closing mark of a sequence of undefined length."""
        last = deque(self.items(start, end, coding, depth), maxlen=1)
        if not last or last[0][1] >= 0:
            self._damaged(start, "has a sequence without an end")
        return last[0][0]

    def _fits(self, following: int, end: int | None) -> bool:
        if end is not None:
            return following <= end
        size = self.source.size
        return size is None or following <= size  # a source without size refuses to be read too far

    def _count(self, offset: int) -> None:
        self.steps += 1
        if self.steps > MAX_ELEMENTS:
            self._damaged(offset, f"has more than {MAX_ELEMENTS} elements")

    def _damaged(self, offset: int, what: str) -> NoReturn:
        name = self.source.name
        msg = f"{name} has a damaged DICOM header: it {what} (byte {offset}); export or copy the file again."
        raise InputError(msg, file=name)


def keep(walk: Walk, place: Place) -> Element:
    """Read the value of an element.

    Raises
    ------
    InputError
        If all values together are larger than a header may be.
    """
    length = place.length or 0
    walk.kept += length
    if walk.kept > MAX_HEADER_BYTES:
        name = walk.source.name
        msg = (
            f"{name} has a header of more than {MAX_HEADER_BYTES // 1024**2} MB, which no X-ray run has: export the "
            "file again."
        )
        raise InputError(msg, file=name)
    return Element(place.tag, place.vr, walk.source.read(place.offset, length), place.coding)


def sequence_items(element: Element, name: str, most: int | None = None) -> tuple[tuple[int, int], ...]:
    """Find the items of a sequence: first byte and the byte after the last of each, inside the element's value.

    Parameters
    ----------
    element : Element
        The sequence.
    name : str
        File name, for messages.
    most : int or None
        Stop after so many items.

    Raises
    ------
    InputError
        If the value is not a sequence of items.
    """
    walk = Walk(MemoryBytes(element.value, name))
    spans = islice(walk.items(0, len(element.value), _inside(element)), most)
    return tuple(span for span in spans if span[1] >= 0)


def item_elements(element: Element, span: tuple[int, int], wanted: frozenset[int], name: str) -> Mapping[int, Element]:
    """Read the listed elements of one item of a sequence; of a tag that comes twice, the first.

    Raises
    ------
    InputError
        If the item is damaged.
    """
    walk = Walk(MemoryBytes(element.value, name))
    found: dict[int, Element] = {}
    for place in walk.places(span[0], span[1], _inside(element), depth=1):
        if place.tag in wanted and place.tag not in found and place.tag != PIXEL_DATA:
            found[place.tag] = keep(walk, place)
    return found


def _inside(element: Element) -> Coding:
    """How the items of a sequence are written: a sequence that someone did not know (UN) stays implicit inside."""
    return IMPLICIT if element.vr == "UN" else element.coding
