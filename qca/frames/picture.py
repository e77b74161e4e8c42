"""A frame from a picture file, which knows grey values and nothing about X-rays."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from qca.frames.frame import Frame, HeaderGeometry
from qca.frames.greyness import Stored
from qca.frames.record import FrameFile


def plain_frame(record: FrameFile, stored: Stored, index: int, sha256: str, *, inverted: bool = False) -> Frame:
    """Make a Frame of stored grey values; scale, polarity and relation to intensity stay unknown.

    Parameters
    ----------
    record : FrameFile
        The file.
    stored : ndarray, shape (rows, columns)
        Grey values in which large is bright.
    index : int
        Zero-based frame number.
    sha256 : str
        Hash of the file.
    inverted : bool
        True where the file's own values are the other way round.
    """
    pixels = stored.astype(np.float64)
    valid = np.ones(pixels.shape, np.bool_)
    pixels.setflags(write=False)
    valid.setflags(write=False)
    low, high = record.grey_range
    rule = "stored values, unchanged"
    if inverted:
        rule = f"stored values, turned about their range {low:.0f} to {high:.0f} (white is zero)"
    return Frame(
        pixels=pixels,
        valid=valid,
        file=record.file,
        sha256=sha256,
        index=index,
        count=record.count,
        grey_range=record.grey_range,
        grey_rule=rule,
        pixel_aspect=record.pixel_aspect,
        geometry=HeaderGeometry(),
        lossy=record.lossy,
        detail=MappingProxyType(dict(record.detail)),
        warnings=record.warnings,
    )
