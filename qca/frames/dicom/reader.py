"""A DICOM file of frames: its header read once, its frames one at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType

from qca.errors import InputError
from qca.frames.byte_reader import FileBytes, InflatedBytes
from qca.frames.dicom import attributes as at
from qca.frames.dicom.aperture import valid_region
from qca.frames.dicom.codestream import Codestream
from qca.frames.dicom.decoders import decode_codestream, decode_deflated, decode_rle, most_coded_bytes, native
from qca.frames.dicom.elements import EXPLICIT
from qca.frames.dicom.fragments import Span, find_fragments
from qca.frames.dicom.geometry import read_geometry
from qca.frames.dicom.grey import read_grey
from qca.frames.dicom.header import DicomHeader, read_header
from qca.frames.dicom.pixel_format import Stored
from qca.frames.dicom.surplus import check_surplus
from qca.frames.dicom.timing import Timing, read_timing
from qca.frames.dicom.values import NotANumber, code, numbers
from qca.frames.frame import Frame
from qca.frames.record import FrameFile


@dataclass(frozen=True, slots=True)
class DicomFrames:
    """A DICOM file of frames.

    Parameters
    ----------
    header : DicomHeader
        Its header.
    spans : tuple of tuple of (int, int)
        Per frame, where its fragments are; empty when the pixels are not encapsulated.
    timing : Timing
        Times of the frames.
    record : FrameFile
        What is known without decoding.
    """

    header: DicomHeader
    spans: tuple[tuple[Span, ...], ...]
    timing: Timing
    record: FrameFile

    def stored(self, source: FileBytes, index: int) -> Stored:
        """Return the stored values of one frame, in the polarity in which it is meant to be seen.

        Raises
        ------
        InputError
            If the frame is damaged or cut short.
        """
        return read_grey(self.header, self.header.at(index)).shown(self._decode(source, index)[0])

    def frame(self, source: FileBytes, index: int, sha256: str) -> Frame:
        """Decode one frame and say everything about it.

        Raises
        ------
        InputError
            If the frame is damaged or cut short.
        """
        header, record, view = self.header, self.record, self.header.at(index)
        stored, stream = self._decode(source, index)
        grey = read_grey(header, view)
        geometry, aspect = read_geometry(view, index, (record.rows, record.columns), self.timing)
        valid, aperture_warnings = valid_region(view, record.rows, record.columns, aspect)
        pixels = grey.values(stored)
        pixels.setflags(write=False)
        detail = dict(record.detail)
        warnings = [*record.warnings, *grey.warnings, *aperture_warnings]
        if stream is not None:
            detail["codestream"] = stream.kind
            detail["codestream_bits"] = stream.precision
            if stream.precision < header.format.stored:
                warnings.append(
                    f"Frame {index} is coded with {stream.precision} bits per value where the header says "
                    f"{header.format.stored}."
                )
        return Frame(
            pixels=pixels,
            valid=valid,
            file=record.file,
            sha256=sha256,
            index=index,
            count=record.count,
            grey_range=grey.grey_range,
            dark_vessels=grey.dark_vessels,
            intensity=grey.intensity,
            grey_rule=grey.rule,
            pixel_aspect=aspect,
            geometry=geometry,
            lossy=record.lossy or (stream is not None and stream.lossy),
            detail=MappingProxyType(detail),
            warnings=tuple(dict.fromkeys(warnings)),
        )

    def _decode(self, source: FileBytes, index: int) -> tuple[Stored, Codestream | None]:
        layout, name, syntax = self.header.format, self.header.name, self.header.syntax
        if not self.spans:
            return native(self._native_bytes(source, index), layout, self.header.coding.order), None
        span = self.spans[index]
        size = sum(length for _, length in span)
        if size > most_coded_bytes(layout):
            msg = (
                f"Frame {index} of {name} takes {size} bytes compressed and {layout.frame_bytes} uncompressed, which "
                "cannot be: the file is damaged, export it again."
            )
            raise InputError(msg, file=name, frame=index)
        data = b"".join(source.read(offset, length) for offset, length in span)
        if syntax.pixels == "rle":
            return decode_rle(data, layout, name, index), None
        if syntax.pixels == "codestream":
            return decode_codestream(data, layout, name, index)
        if syntax.pixels == "deflated frames":
            data = decode_deflated(data, layout, name, index)
        if len(data) < layout.frame_bytes:
            raise _cut_short(name, index)
        return native(data[: layout.frame_bytes], layout, "<"), None

    def _native_bytes(self, source: FileBytes, index: int) -> bytes:
        header, count = self.header, self.header.format.frame_bytes
        start = header.pixel.offset + index * count
        swapped = header.coding.big and header.format.allocated == 8 and header.pixel.vr == "OW"
        first, last = (start & ~1, start + count + (start + count & 1)) if swapped else (start, start + count)
        if header.syntax.deflated:
            raw = InflatedBytes(source, header.dataset_start).read_far(first, last - first)
        else:
            raw = source.read(first, last - first)
        if swapped:
            # 8-bit pixels in 16-bit big-endian words come in swapped pairs (PS3.5 section 8.1.1, annex D).
            pairs = bytearray(raw)
            pairs[0::2], pairs[1::2] = raw[1::2], raw[0::2]
            raw = bytes(pairs[start - first :])[:count]
        if len(raw) < count:
            raise _cut_short(header.name, index)
        return raw


def open_dicom(source: FileBytes) -> DicomFrames:
    """Read the header of a DICOM file and find its frames.

    Raises
    ------
    InputError
        If the file is damaged, cut short before its first frame, or states impossible numbers.
    UnsupportedFrame
        If it holds something else than grey X-ray frames, or pixels that cannot be decoded.
    """
    header = read_header(source)
    spans, found, cut_short = _frames(source, header)
    name, declared = header.name, header.declared
    if not found:
        msg = f"{name} is cut short: its first frame is not complete; copy the file again."
        raise InputError(msg, file=name)
    warnings: list[str] = []
    if not spans and not header.syntax.deflated:
        warnings += check_surplus(source, header.pixel, header.coding)
    beyond = (header.pixel.length or 0) % header.format.frame_bytes
    if beyond > 1 and not cut_short:  # one makes the length even
        warnings.append(
            f"The pixel data are {beyond} bytes longer than their frames, as older writers pad them; they are ignored. "
            "If the picture looks shifted, export it again."
        )
    count = min(found, declared) if declared else found
    if found < declared:
        ending = "ends" if cut_short else "has pixel data"
        warnings.append(f"The header promises {declared} frames, but the file {ending} after {found}.")
    elif declared and found > declared:
        warnings.append(
            f"The file holds pixels for {found} frames, but its header says {declared}; the rest is ignored."
        )
    elif not declared and found > 1:
        warnings.append(f"The header does not say how many frames there are; {found} were found.")
    if header.captured:
        warnings.append("This is a secondary capture: its grey values are those of a screen, its spacing may be lost.")
    if code(header.top.get(at.BURNED_IN.tag)) == "YES":
        warnings.append("Text is burned into the frames: look at the pictures of a report before passing them on.")
    timing = read_timing(header, count)
    view = header.at(0)
    layout = header.format
    geometry, aspect = read_geometry(view, 0, (layout.rows, layout.columns), timing)
    low, high = layout.value_range
    record = FrameFile(
        file=name,
        format="DICOM",
        count=count,
        rows=layout.rows,
        columns=layout.columns,
        dtype=layout.dtype.name,
        grey_range=(float(low), float(high)),
        bits_stored=layout.stored,
        coding=header.syntax.name,
        lossy=_lossy(header),
        frame_time_ms=timing.frame_time_ms,
        frame_times_ms=timing.times_ms,
        r_wave_frames=timing.r_wave_frames,
        pixel_aspect=aspect,
        geometry=geometry,
        warnings=tuple(warnings),
    )
    record = replace(record, detail=MappingProxyType(_detail(header, record)))
    return DicomFrames(header, spans, timing, record)


def _frames(source: FileBytes, header: DicomHeader) -> tuple[tuple[tuple[Span, ...], ...], int, bool]:
    """Spans of encapsulated frames, number of frames found, and whether the file ends too early."""
    name, pixel, layout = header.name, header.pixel, header.format
    encapsulated = header.syntax.pixels != "native"
    if encapsulated != (pixel.length is None):
        how = "without fragments" if encapsulated else "in fragments"
        msg = (
            f"{name} says transfer syntax {header.syntax.name}, but its pixels are written {how}: it was converted "
            "wrongly, export it again."
        )
        raise InputError(msg, file=name)
    if pixel.length is None:
        table = header.top.get(at.OFFSET_TABLE.tag)
        one_each = header.syntax.pixels != "codestream"
        extended = table.value if table is not None else b""
        found = find_fragments(source, pixel.offset, header.declared, extended, one_each=one_each)
        return found.frames, len(found.frames), found.cut_short
    there = pixel.length
    if not header.syntax.deflated and source.size is not None:
        there = min(there, source.size - pixel.offset)
    return (), there // layout.frame_bytes, there < pixel.length


def _lossy(header: DicomHeader) -> bool:
    """Lossy Image Compression says so, or it does not say and the transfer syntax stands for it."""
    stated = code(header.top.get(at.LOSSY.tag))
    return stated == "01" or (stated != "00" and header.syntax.lossy)


def _detail(header: DicomHeader, record: FrameFile) -> dict[str, object]:
    """Facts for the report; nothing that names or describes anybody."""
    layout = header.format
    detail: dict[str, object] = {
        "format": "DICOM",
        "storage_class": header.storage_class,
        "transfer_syntax": header.syntax.name,
        "transfer_syntax_uid": header.syntax.uid,
        "bits_allocated": layout.allocated,
        "bits_stored": layout.stored,
        "signed": layout.signed,
        "photometric_interpretation": header.photometric,
        "frames_declared": header.declared,
        "frames_found": record.count,
    }
    if header.coding.explicit != header.syntax.coding.explicit:
        detail["coding"] = "explicit" if header.coding == EXPLICIT else "implicit, against its transfer syntax"
    ratio = header.top.get(at.LOSSY_RATIO.tag)
    try:
        values = numbers(ratio, at.LOSSY_RATIO) if ratio is not None else ()
    except NotANumber:
        values = ()
    if values:
        detail["lossy_compression_ratio"] = values[-1]
    return detail


def _cut_short(name: str, index: int) -> InputError:
    msg = f"Frame {index} of {name} is cut short: the file ends before it is complete; copy the file again."
    return InputError(msg, file=name, frame=index)
