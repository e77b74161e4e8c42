"""The header of a DICOM file: guarded, only the attributes that are needed, frame by frame where they are per frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from qca.errors import InputError, UnsupportedFrame
from qca.frames.byte_reader import Bytes, FileBytes, InflatedBytes
from qca.frames.dicom import attributes as at
from qca.frames.dicom.attributes import Attribute
from qca.frames.dicom.elements import (
    EXPLICIT,
    IMPLICIT,
    PIXEL_DATA,
    PIXEL_DATA_OTHER,
    Coding,
    Element,
    Place,
    Walk,
    item_elements,
    keep,
    sequence_items,
)
from qca.frames.dicom.pixel_format import PixelFormat
from qca.frames.dicom.syntaxes import (
    CAPTURE_CLASSES,
    TRANSFER_SYNTAXES,
    XRAY_CLASSES,
    TransferSyntax,
    class_name,
    syntax_name,
)
from qca.frames.dicom.values import NotANumber, code, identifier, numbers
from qca.frames.limits import MAX_FRAMES, MAX_SIDE

_PREAMBLE = 128
_MOST_TABLES = 16
_COLOURS = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_PARTIAL_420", "YBR_ICT", "YBR_RCT", "PALETTE COLOR", "MONOCHROME2")
_NOTHING: Mapping[int, Element] = {}


@dataclass(frozen=True, slots=True)
class View:
    """The header as it holds for one frame: functional groups of the frame, then shared ones, then the top level."""

    name: str
    levels: tuple[Mapping[int, Element], ...]
    top: Mapping[int, Element]

    def find(self, attribute: Attribute) -> Element | None:
        """Find the element of an attribute; None when the header does not have it for this frame."""
        if attribute.group:
            for level in self.levels:
                inner = self._group(level, attribute.group)
                if attribute.tag in inner:
                    return inner[attribute.tag]
        return self.top.get(attribute.tag)

    def items(self, attribute: Attribute) -> tuple[Mapping[int, Element], ...]:
        """Items of a sequence that stands at the top or is itself a functional group; none when absent."""
        for level in (*self.levels, self.top):
            if attribute.tag in level:
                element = level[attribute.tag]
                spans = sequence_items(element, self.name, _MOST_TABLES)
                return tuple(item_elements(element, span, at.WANTED, self.name) for span in spans)
        return ()

    def _group(self, level: Mapping[int, Element], tag: int) -> Mapping[int, Element]:
        if tag not in level:
            return _NOTHING
        spans = sequence_items(level[tag], self.name, 1)
        return item_elements(level[tag], spans[0], at.WANTED, self.name) if spans else _NOTHING


@dataclass(frozen=True, slots=True)
class DicomHeader:
    """What a DICOM file says before its pixels.

    Parameters
    ----------
    name : str
        File name.
    syntax : TransferSyntax
        How the file is written.
    storage_class : str
        Name of what it holds.
    captured : bool
        True for a secondary capture: a picture of a screen.
    coding : Coding
        How the data set is really written.
    top : mapping
        Elements by tag.
    shared : mapping
        Functional groups that hold for all frames.
    per_frame : tuple of (int, int)
        Where the items of the per-frame functional groups are.
    dataset_start : int
        First byte of the data set.
    pixel : Place
        Where the pixel data are.
    format : PixelFormat
        Size and layout of a frame.
    photometric : str
        ``"MONOCHROME1"`` or ``"MONOCHROME2"``.
    declared : int
        Number of Frames; 0 when absent.
    """

    name: str
    syntax: TransferSyntax
    storage_class: str
    captured: bool
    coding: Coding
    top: Mapping[int, Element]
    shared: Mapping[int, Element]
    per_frame: tuple[tuple[int, int], ...]
    dataset_start: int
    pixel: Place
    format: PixelFormat
    photometric: str
    declared: int

    def at(self, index: int) -> View:
        """Return the header as it holds for frame ``index``."""
        if index < len(self.per_frame):
            element = self.top[at.PER_FRAME.tag]
            own = item_elements(element, self.per_frame[index], at.WANTED, self.name)
            return View(self.name, (own, self.shared), self.top)
        return View(self.name, (self.shared,), self.top)


def read_header(source: FileBytes) -> DicomHeader:
    """Read and check the header of a DICOM file.

    Raises
    ------
    InputError
        If the header is damaged or states impossible sizes.
    UnsupportedFrame
        If the file is sound but holds something that cannot be measured.
    """
    name = source.name
    syntax, start = _file_meta(source)
    data: Bytes = InflatedBytes(source, start) if syntax.deflated else source
    coding = _real_coding(data, 0 if syntax.deflated else start, syntax.coding)
    walk = Walk(data)
    top: dict[int, Element] = {}
    pixel: Place | None = None
    for place in walk.places(0 if syntax.deflated else start, None, coding):
        if place.tag == PIXEL_DATA:
            pixel = place
        elif place.tag in PIXEL_DATA_OTHER:
            msg = f"{name} holds floating point pixels: export the X-ray run itself."
            raise UnsupportedFrame(msg, file=name)
        elif place.tag in at.WANTED and place.tag not in top:
            top[place.tag] = keep(walk, place)
    storage, captured = _storage_class(name, identifier(top.get(at.SOP_CLASS.tag)))
    if pixel is None:
        msg = f"{name} has no pixel data: it is cut short or only a header; copy it again."
        raise InputError(msg, file=name)
    shared, per_frame = top.get(at.SHARED.tag), top.get(at.PER_FRAME.tag)
    shared_spans = sequence_items(shared, name, 1) if shared is not None else ()
    return DicomHeader(
        name=name,
        syntax=syntax,
        storage_class=storage,
        captured=captured,
        coding=coding,
        top=top,
        shared=item_elements(shared, shared_spans[0], at.WANTED, name) if shared is not None and shared_spans else {},
        per_frame=sequence_items(per_frame, name) if per_frame is not None else (),
        dataset_start=start,
        pixel=pixel,
        format=_pixel_format(name, top),
        photometric=code(top.get(at.PHOTOMETRIC.tag)),
        declared=_declared_frames(name, top),
    )


def _file_meta(source: FileBytes) -> tuple[TransferSyntax, int]:
    """Transfer syntax, and the first byte of the data set (PS3.10 section 7.1)."""
    walk = Walk(source)
    start, uid = _PREAMBLE + 4, ""
    for place in walk.places(start, None, EXPLICIT, group=0x0002):
        start = place.following
        if place.tag == at.TRANSFER_SYNTAX.tag:
            uid = identifier(keep(walk, place))
    name = source.name
    if not uid:
        msg = (
            f"{name} does not say its transfer syntax (0002,0010), so its bytes cannot be understood: export it again."
        )
        raise InputError(msg, file=name)
    if uid not in TRANSFER_SYNTAXES:
        msg = (
            f"{name} uses transfer syntax {uid} ({syntax_name(uid)}), which cannot be read: export it uncompressed or "
            "as JPEG Lossless."
        )
        raise UnsupportedFrame(msg, file=name)
    return TRANSFER_SYNTAXES[uid], start


def _real_coding(source: Bytes, start: int, stated: Coding) -> Coding:
    """Find whether representations are written; some files do the other than their transfer syntax says."""
    letters = source.read(start + 4, 2)
    if stated.big:
        return stated
    written = len(letters) == 2 and letters.isalpha() and letters.isupper()
    return EXPLICIT if written else IMPLICIT


def _storage_class(name: str, uid: str) -> tuple[str, bool]:
    if uid in XRAY_CLASSES:
        return XRAY_CLASSES[uid], False
    if uid in CAPTURE_CLASSES:
        return CAPTURE_CLASSES[uid], True
    if not uid:
        msg = f"{name} does not say what it holds (SOP Class UID): export it again."
        raise InputError(msg, file=name)
    msg = f"{name} holds {class_name(uid)} (SOP class {uid}), not an X-ray angiogram: choose the run itself."
    raise UnsupportedFrame(msg, file=name)


def _whole(name: str, top: Mapping[int, Element], attribute: Attribute, otherwise: int | None = None) -> int:
    """Read an attribute that must be one whole number; ``otherwise`` when it is absent."""
    element = top.get(attribute.tag)
    try:
        values = numbers(element, attribute) if element is not None else ()
    except NotANumber as error:
        msg = f"{name} states {error} for {attribute.name}, where a whole number must stand: export it again."
        raise InputError(msg, file=name) from error
    if not values and otherwise is not None:
        return otherwise
    if len(values) != 1 or values[0] != int(values[0]):
        msg = f"{name} has no single whole number for {attribute.name} in its header: export it again."
        raise InputError(msg, file=name)
    return int(values[0])


def _declared_frames(name: str, top: Mapping[int, Element]) -> int:
    declared = _whole(name, top, at.FRAMES, 0)
    if not 0 <= declared <= MAX_FRAMES:
        msg = (
            f"{name} claims to hold {declared} frames; 1 to {MAX_FRAMES} can be: its header is wrong, export it again."
        )
        raise InputError(msg, file=name)
    return declared


def _pixel_format(name: str, top: Mapping[int, Element]) -> PixelFormat:
    rows, columns = _whole(name, top, at.ROWS), _whole(name, top, at.COLUMNS)
    if not (1 <= rows <= MAX_SIDE and 1 <= columns <= MAX_SIDE):
        msg = f"{name} states {rows} rows by {columns} columns; 1 to {MAX_SIDE} are possible: its header is wrong."
        raise InputError(msg, file=name)
    photometric = code(top.get(at.PHOTOMETRIC.tag))
    samples = _whole(name, top, at.SAMPLES)
    if samples != 1 or photometric not in ("MONOCHROME1", "MONOCHROME2"):
        kind = photometric if photometric in _COLOURS else "no known interpretation"
        msg = f"{name} holds {samples} values per pixel ({kind}), not one grey value: export it as a grey-scale run."
        raise UnsupportedFrame(msg, file=name)
    allocated = _whole(name, top, at.BITS_ALLOCATED)
    stored = _whole(name, top, at.BITS_STORED)
    high = _whole(name, top, at.HIGH_BIT, stored - 1)
    representation = _whole(name, top, at.REPRESENTATION, 0)
    if allocated not in (8, 16):
        msg = f"{name} uses {allocated} bits per pixel; 8 and 16 can be read: export it again."
        raise UnsupportedFrame(msg, file=name)
    if not (6 <= stored <= allocated and stored - 1 <= high < allocated and representation in (0, 1)):
        msg = (
            f"{name} states {stored} bits stored in {allocated} with high bit {high} and representation "
            f"{representation}, which cannot be: export it again."
        )
        raise InputError(msg, file=name)
    return PixelFormat(rows, columns, allocated, stored, high, bool(representation))
