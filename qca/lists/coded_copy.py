"""A frame's file under a code: the pixels and the numbers that measuring needs, and nothing else of it.

A reader who opens a coded copy in any program finds no name, date or place. Copies of one frame under two codes differ
in a few bytes, so that not even a checksum tells that they are the same, and are filled up to one of a few sizes, so
that a folder's listing does not tell it either.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import InputError

if TYPE_CHECKING:
    from pydicom import Dataset

    from qca.frames.source import FrameSource

_PIXEL_GROUP = 0x7FE0
_DICOM_OVERHEAD = 12
"""Tag, kind and length of one more element."""

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_SMALLEST_STEP = 4096
_DAY_ZERO = datetime(1970, 1, 1)  # noqa: DTZ001 - a place to count from, not a time


def coded_copy(source: Path, folder: Path, code: str) -> Path:
    """Write a copy of a frame file that tells nothing but what is measured.

    Parameters
    ----------
    source : Path
        DICOM, PNG or TIFF.
    folder : Path
        Where the copy goes, under the code.
    code : str
        Opaque code.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    InputError
        If the file cannot be read or the copy cannot be written.
    """
    from qca.frames.source import FrameSource

    frames = FrameSource(source)  # refuses what is damaged or forged before any other parser sees it
    writers = {"DICOM": (".dcm", _dicom), "PNG": (".png", _png), "TIFF": (".tif", _tiff)}
    ending, write = writers[frames.record.format]
    target = folder / f"{code}{ending}"
    try:
        write(frames, target, code)
    except OSError as error:
        msg = f"Cannot write {target} ({error.strerror or error}): make room, or choose another folder."
        raise InputError(msg, file=str(target)) from error
    return target


def filling(size: int, overhead: int) -> int:
    """Bytes to add to a file, beyond the overhead of adding any, so that its size says little about its content.

    Sizes go in quarters of a power of two: at most a quarter is added.
    """
    step = max(1 << max((size + overhead).bit_length() - 3, 0), _SMALLEST_STEP)
    return -(size + overhead) % step


def sha256_of(path: Path) -> str:
    """Hash of a whole file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _dicom(frames: FrameSource, target: Path, code: str) -> None:
    import pydicom
    from pydicom.uid import PYDICOM_IMPLEMENTATION_UID, generate_uid

    from qca.frames.dicom import attributes

    try:
        data = pydicom.dcmread(frames.path)
        _strip(data, attributes.WANTED)
        _forget_the_day(data)
        data.SOPInstanceUID = generate_uid(entropy_srcs=[code])
        data.StudyInstanceUID = generate_uid(entropy_srcs=[code, "study"])
        data.SeriesInstanceUID = generate_uid(entropy_srcs=[code, "series"])
        data.Modality = "XA"
        data.PatientID, data.PatientName = code, ""
        data.PatientIdentityRemoved = "YES"
        meta = pydicom.dataset.FileMetaDataset()
        meta.MediaStorageSOPClassUID = data.get("SOPClassUID") or data.file_meta.MediaStorageSOPClassUID
        meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
        meta.TransferSyntaxUID = data.file_meta.TransferSyntaxUID
        meta.ImplementationClassUID = PYDICOM_IMPLEMENTATION_UID
        data.file_meta = meta
        data.preamble = bytes(128)
        data.save_as(target, enforce_file_format=True)
        # PS3.10, 7.2: Data Set Trailing Padding has no meaning; noise, because a deflated file would swallow zeros
        room = filling(target.stat().st_size, _DICOM_OVERHEAD) // 2 * 2
        data.DataSetTrailingPadding = hashlib.shake_256(code.encode()).digest(room)
        data.save_as(target, enforce_file_format=True)
    except (AttributeError, KeyError, TypeError, ValueError, NotImplementedError) as error:
        msg = f"{frames.record.file} cannot be copied without its names and dates ({type(error).__name__})."
        raise InputError(msg, file=frames.record.file) from error


def _strip(data: Dataset, wanted: frozenset[int]) -> None:
    """Leave the listed attributes and the pixels, in sequences too."""
    for tag in list(data.keys()):
        if tag.group == _PIXEL_GROUP:
            continue
        if int(tag) not in wanted:
            del data[tag]
        elif data[tag].VR == "SQ":
            for item in data[tag].value:
                _strip(item, wanted)


def _forget_the_day(data: Dataset) -> None:
    """Count the frames' acquisition times from zero: intervals stay, the date goes."""
    contents = [
        content
        for frame in data.get("PerFrameFunctionalGroupsSequence") or ()
        for content in frame.get("FrameContentSequence") or ()
        if "FrameAcquisitionDateTime" in content
    ]
    times = [_parsed(str(content.FrameAcquisitionDateTime)) for content in contents]
    known = [time for time in times if time is not None]
    for content, time in zip(contents, times, strict=True):
        if time is None:
            del content.FrameAcquisitionDateTime
        else:
            content.FrameAcquisitionDateTime = (_DAY_ZERO + (time - min(known))).strftime("%Y%m%d%H%M%S.%f")


def _parsed(text: str) -> datetime | None:
    whole, _, fraction = re.split(r"[+-]", text, maxsplit=1)[0].partition(".")
    try:
        time = datetime.strptime(whole, "%Y%m%d%H%M%S")  # noqa: DTZ007 - only differences are used
        return time + timedelta(microseconds=int(fraction.ljust(6, "0")[:6] or 0))
    except ValueError:
        return None


def _png(frames: FrameSource, target: Path, code: str) -> None:
    """Keep the critical chunks (ISO/IEC 15948, 5.4: an upper-case first letter), and add the code as a comment."""
    data = frames.path.read_bytes()
    parts, at = [_PNG_SIGNATURE], len(_PNG_SIGNATURE)
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        if kind == b"IEND":
            break
        if not kind[0] & 0x20:
            parts.append(data[at : at + 12 + size])
        at += 12 + size
    parts.append(_text_chunk(b"Comment", code.encode()))
    end = b"\0\0\0\0IEND\xaeB`\x82"
    size = sum(map(len, parts)) + len(end)
    parts += [_text_chunk(b"Filling", b" " * filling(size, len(_text_chunk(b"Filling", b"")))), end]
    target.write_bytes(b"".join(parts))


def _text_chunk(keyword: bytes, text: bytes) -> bytes:
    body = b"tEXt" + keyword + b"\0" + text
    return struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))


def _tiff(frames: FrameSource, target: Path, code: str) -> None:
    """Write the stored values anew, page by page, large is bright."""
    import tifffile

    with tifffile.TiffWriter(target) as writer:
        for index in range(frames.count):
            pixels = frames.pixels(index)
            writer.write(
                pixels, photometric="minisblack", compression="zlib", description=code, metadata=None, software=False
            )
    with target.open("ab") as file:  # bytes that no tag points to
        file.write(bytes(filling(file.tell(), 0)))
