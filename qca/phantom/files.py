"""A rendered phantom as files: the frame, its truth and its picks, all or none."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from qca.json_text import write_json
from qca.phantom.grey import Stored
from qca.phantom.recipe import Recipe
from qca.phantom.render import picks_of, render_pixels
from qca.phantom.truth import truth_of
from qca.phantom.xa_file import XaHeader, xa_bytes
from qca.picks_file import PICKS_SCHEMA, picks_to_json
from qca.whole_file import write_together

Kind = Literal["png", "dicom"]

_STORED_BLOCK = 65535

_ENDING = {"png": ".png", "dicom": ".dcm"}


@dataclass(frozen=True, slots=True)
class PhantomFile:
    """What goes into one file: one recipe per frame, and which of them the picks and the truth belong to.

    ``scale_from_header`` leaves the catheter out of the picks and asks for the header's scale.
    """

    name: str
    frames: tuple[Recipe, ...]
    kind: Kind = "png"
    picked: int = 0
    header: XaHeader | None = None
    scale_from_header: bool = False


def png_bytes(pixels: Stored, bits: int) -> bytes:
    """Write grey values as PNG: 8 bits as they are, more as 16 bits with the values unchanged.

    The number of used bits goes into no chunk: a reader has to cope with a 12-bit range in a 16-bit file.
    """
    import struct
    import zlib

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    rows, columns = pixels.shape
    wide = bits > 8
    lines = pixels.astype(">u2" if wide else "u1")
    raw = b"".join(b"\0" + line.tobytes() for line in lines)
    header = struct.pack(">IIBBBBB", columns, rows, 16 if wide else 8, 0, 0, 0, 0)
    # stored deflate blocks (RFC 1951 3.2.4): noise hardly shrinks, and no compressor's version can change the bytes
    parts = [raw[first : first + _STORED_BLOCK] for first in range(0, len(raw), _STORED_BLOCK)]
    stored = b"\x78\x01"
    for number, part in enumerate(parts):
        stored += struct.pack("<BHH", number == len(parts) - 1, len(part), len(part) ^ 0xFFFF) + part
    stored += struct.pack(">I", zlib.adler32(raw))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", stored) + chunk(b"IEND", b"")


def file_contents(phantom: PhantomFile) -> dict[str, bytes]:
    """Render everything of one phantom.

    Returns
    -------
    dict
        File name to content: the frame or frames, ``<name>.truth.json``, ``<name>.picks.json``.

    Raises
    ------
    ValueError
        For several frames in a PNG, or a picked frame that is not there.
    """
    if phantom.kind == "png" and len(phantom.frames) > 1:
        msg = f"a PNG holds one frame, not {len(phantom.frames)}"
        raise ValueError(msg)
    if not 0 <= phantom.picked < len(phantom.frames):
        msg = f"picked must lie between 0 and {len(phantom.frames) - 1}, not {phantom.picked!r}"
        raise ValueError(msg)
    recipe = phantom.frames[phantom.picked]
    truth = truth_of(recipe).to_json()
    pixels = [render_pixels(frame) for frame in phantom.frames]
    picks = picks_of(recipe)
    if phantom.scale_from_header:
        picks = replace(picks, catheter=None, french=None, scale="header")
    image = f"{phantom.name}{_ENDING[phantom.kind]}"
    content = (
        png_bytes(pixels[0], recipe.grey.bits) if phantom.kind == "png" else xa_bytes(pixels, recipe, phantom.header)
    )
    document = {"file": image, "frame": phantom.picked, **truth}
    return {
        image: content,
        f"{phantom.name}.truth.json": write_json(document).encode(),
        f"{phantom.name}.picks.json": write_json(
            {"schema": PICKS_SCHEMA, **picks_to_json(picks, only_given=True)}
        ).encode(),
    }


def write_phantom(phantom: PhantomFile, folder: Path) -> tuple[Path, ...]:
    """Render one phantom and write its files into a folder.

    Raises
    ------
    InputError
        If they cannot be written; nothing is left behind.
    """
    return write_together(folder, file_contents(phantom))
