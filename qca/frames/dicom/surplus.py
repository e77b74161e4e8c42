"""What follows pixel data that are not encapsulated: elements, padding, or the end of a picture that was pushed out.

Bytes that a damaged copy has put into the pixel data shift the picture after them, and push its end out of the element:
what is left over there is all that tells. Elements with higher tags may follow (PS3.5 section 7.1: ascending order;
digital signatures (FFFA,FFFA) and trailing padding (FFFC,FFFC) are the standard's own, private groups may, too). Some
writers fill a file with zeros up to a whole block, which no part of the standard asks for.
"""

from __future__ import annotations

from qca.errors import InputError
from qca.frames.byte_reader import Bytes, FileBytes
from qca.frames.dicom.elements import Coding, Place, Walk
from qca.frames.limits import CHUNK_BYTES

_BLOCK_BYTES = 512
"""Disks and tapes write whole multiples of it (common practice, no source)."""


def check_surplus(source: FileBytes, pixel: Place, coding: Coding) -> tuple[str, ...]:
    """Refuse a file that goes on after its pixel data with bytes that have no business there.

    Parameters
    ----------
    source : Bytes
        The file.
    pixel : Place
        Where the pixel data are, not encapsulated.
    coding : Coding
        How the data set is written.

    Returns
    -------
    tuple of str
        A warning where zeros follow; none where nothing does, or elements.

    Raises
    ------
    InputError
        If something else follows, or zeros that the picture's own end cannot be told from.
    """
    size, length = source.size, pixel.length
    if size is None or length is None or pixel.following >= size:
        return ()
    end = _after_elements(source, size, pixel.following, coding)
    left = size - end
    if left <= 0 or (left == 1 and length % 2 and source.read(end, 1) == b"\0"):
        return ()  # an odd length was written without counting its pad byte
    black = source.read(max(pixel.following - 2, pixel.offset), 2).strip(b"\0") == b""
    if _zeros(source, end, size) and (end > pixel.following or not black or size % _BLOCK_BYTES == 0):
        return (f"{left} zero bytes follow the pixel data: they are taken for padding.",)
    msg = (
        f"{source.name} goes on for {left} bytes after its pixel data, and they are no elements: bytes have come "
        "into it, and if they lie in the picture, they have shifted it; export or copy the file again."
    )
    raise InputError(msg, file=source.name)


def _after_elements(source: Bytes, size: int, start: int, coding: Coding) -> int:
    """First byte after all elements, in ascending order, that follow the pixel data."""
    end, before = start, 0x7FE00010
    try:
        for place in Walk(source).places(start, size, coding):
            if place.tag <= before or place.following > size:
                break
            end, before = place.following, place.tag
    except InputError:
        return end
    return end


def _zeros(source: Bytes, start: int, end: int) -> bool:
    return not any(source.read(at, min(CHUNK_BYTES, end - at)).strip(b"\0") for at in range(start, end, CHUNK_BYTES))
