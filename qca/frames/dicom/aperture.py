"""Which pixels a shutter or a collimator leaves free (DICOM PS3.3 C.7.6.11, C.8.7.3, C.8.19.6.12)."""

from __future__ import annotations

import numpy as np

from qca.frames.dicom import attributes as at
from qca.frames.dicom.attributes import Aperture, Attribute
from qca.frames.dicom.header import View
from qca.frames.dicom.values import NotANumber, codes, numbers
from qca.frames.frame import BoolImage
from qca.frames.limits import MAX_VERTICES

_KEPT_OFF_PX = 1
"""Pixels that the valid region stays inside a stated edge: blades are blurred."""


def valid_region(view: View, rows: int, columns: int, aspect: float) -> tuple[BoolImage, tuple[str, ...]]:
    """Pixels inside every shutter and collimator that the header states for a frame.

    Positions are counted from (row 1, column 1) at the upper left pixel (C.7.6.11, C.8.7.3).

    Parameters
    ----------
    view : View
        Header of the frame.
    rows, columns : int
        Size of the frame.
    aspect : float
        Row pitch divided by column pitch: a circle is round in mm, its radius counts columns.

    Returns
    -------
    tuple of ndarray and tuple of str
        Shape (rows, columns), bool, read-only; and warnings about what could not be used.
    """
    valid = np.ones((rows, columns), np.bool_)
    warnings: list[str] = []
    for aperture in (at.SHUTTER, at.COLLIMATOR):
        for shape in codes(view.find(aperture.shape))[:3]:
            region = _region(view, aperture, shape, (rows, columns), aspect)
            what = aperture.what.lower()
            if region is None:
                warnings.append(f"The header's {what} has no usable shape and is ignored.")
            elif not (inside := _shrunk(region)).any():
                warnings.append(f"The header's {what} leaves no pixel free and is ignored.")
            else:
                valid &= inside
    if not valid.any():
        warnings.append("The header's shutter and collimator together leave no pixel free and are ignored.")
        valid[:] = True
    valid.setflags(write=False)
    return valid, tuple(warnings)


def _region(view: View, aperture: Aperture, shape: str, size: tuple[int, int], aspect: float) -> BoolImage | None:
    """Pixels on and inside the stated edges; None when the numbers make no shape."""
    row, column = np.ogrid[1 : size[0] + 1, 1 : size[1] + 1]
    if shape == "RECTANGULAR":
        edges = [_values(view, one) for one in (aperture.left, aperture.right, aperture.upper, aperture.lower)]
        if any(len(edge) != 1 for edge in edges):
            return None
        left, right, upper, lower = (edge[0] for edge in edges)
        if left >= right or upper >= lower:
            return None
        return np.asarray((column >= left) & (column <= right) & (row >= upper) & (row <= lower))
    if shape == "CIRCULAR":
        center, radius = _values(view, aperture.center), _values(view, aperture.radius)
        if len(center) != 2 or len(radius) != 1 or radius[0] <= 0:
            return None
        return np.asarray(((row - center[0]) * aspect) ** 2 + (column - center[1]) ** 2 <= radius[0] ** 2)
    if shape == "POLYGONAL":
        corners = _values(view, aperture.vertices)
        if len(corners) < 6 or len(corners) % 2 or len(corners) > 2 * MAX_VERTICES:
            return None
        return _polygon(np.reshape(np.asarray(corners), (-1, 2)), size)
    return None


def _polygon(corners: np.ndarray[tuple[int, ...], np.dtype[np.float64]], size: tuple[int, int]) -> BoolImage:
    """Pixels whose centre an odd number of edges lies to the left of.

    ``corners`` has shape (N, 2): row and column, counted from 1.
    """
    rows, columns = size
    crossings = np.zeros((rows, columns + 1), np.uint8)
    row = np.arange(1, rows + 1)
    for (row_a, column_a), (row_b, column_b) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if row_a == row_b:
            continue
        crossed = row[(row >= min(row_a, row_b)) & (row < max(row_a, row_b))]
        at_column = column_a + (crossed - row_a) * (column_b - column_a) / (row_b - row_a)
        first = np.clip(np.ceil(at_column), 1, columns + 1).astype(np.intp)
        crossings[crossed - 1, first - 1] ^= 1
    return np.bitwise_xor.accumulate(crossings, axis=1)[:, :columns].astype(np.bool_)


def _shrunk(region: BoolImage) -> BoolImage:
    """Take the pixels at its edge from a region; the border of the picture is no edge."""
    inside = region
    for _ in range(_KEPT_OFF_PX):
        padded = np.pad(inside, 1, mode="edge")
        inside = inside & padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]
    return inside


def _values(view: View, attribute: Attribute) -> tuple[float, ...]:
    element = view.find(attribute)
    try:
        return numbers(element, attribute) if element is not None else ()
    except NotANumber:
        return ()
