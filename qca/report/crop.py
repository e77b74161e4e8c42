"""The part of a frame that a figure shows, in grey levels for the eye.

Only what surrounds the measured vessel is shown: text that an archive has burned into a frame's corners stays out.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.reading import Points

_DARKEST_PERCENTILE = 0.5
_BRIGHTEST_PERCENTILE = 99.5
"""The grey window of the display spans these percentiles of the shown part; common practice, no source."""

_COVERED_GREY = 214
"""Grey shown where a shutter covers the frame."""


@dataclass(frozen=True, slots=True)
class Crop:
    """A rectangle of a frame and its display.

    Parameters
    ----------
    left, top : int
        Column and row of the first pixel.
    grey : ndarray, shape (rows, columns), uint8
        Grey levels for display only; no number is ever taken from them.
    aspect : float
        Height of a pixel divided by its width.
    """

    left: int
    top: int
    grey: npt.NDArray[np.uint8]
    aspect: float

    @property
    def rows(self) -> int:
        """Number of pixel rows."""
        return int(self.grey.shape[0])

    @property
    def columns(self) -> int:
        """Number of pixel columns."""
        return int(self.grey.shape[1])

    def png(self) -> bytes:
        """Encode the grey levels as PNG without any metadata."""
        from PIL import Image

        buffer = io.BytesIO()
        Image.fromarray(self.grey).save(buffer, format="PNG", optimize=True)
        return buffer.getvalue()


def crop_around(frame: Frame, points: Points, *, margin_px: float, shape: tuple[float, float]) -> Crop:
    """Cut the rectangle around points out of a frame.

    Parameters
    ----------
    frame : Frame
        The measured frame.
    points : ndarray, shape (N, 2)
        (x, y) that must be inside, stored pixels; unknown points are ignored.
    margin_px : float
        Added on every side, as far as the frame goes.
    shape : (float, float)
        Smallest and largest width divided by height, as seen; the rectangle grows to meet it where the frame allows.

    Returns
    -------
    Crop
        The whole frame when no point is known.
    """
    known = points[np.isfinite(points).all(axis=1)]
    if len(known):
        low, high = known.min(axis=0) - margin_px, known.max(axis=0) + margin_px
    else:
        low, high = np.zeros(2), np.array([frame.columns - 1.0, frame.rows - 1.0])
    far = np.array([frame.columns - 1.0, frame.rows - 1.0])
    low, high = np.clip(low, 0.0, far), np.clip(high, 0.0, far)
    width, height = high - low
    narrowest, widest = shape
    target_width = max(width, narrowest * height * frame.pixel_aspect)
    target_height = max(height, target_width / widest / frame.pixel_aspect)
    left, right = _span(low[0], high[0], target_width, frame.columns)
    top, bottom = _span(low[1], high[1], target_height, frame.rows)
    return Crop(left, top, _display(frame, slice(top, bottom), slice(left, right)), frame.pixel_aspect)


def _span(low: float, high: float, length: float, limit: int) -> tuple[int, int]:
    """Centre a stretch of the given length on [low, high], pushed back into the frame."""
    length = min(length, limit - 1.0)
    start = min(max((low + high - length) / 2, 0.0), limit - 1.0 - length)
    first = int(np.floor(start))
    return first, min(int(np.ceil(start + length)) + 1, limit)


def _display(frame: Frame, rows: slice, columns: slice) -> npt.NDArray[np.uint8]:
    values = np.nan_to_num(frame.pixels[rows, columns], nan=0.0, posinf=0.0, neginf=0.0)
    valid = frame.valid[rows, columns]
    shown = values[valid] if valid.any() else values.ravel()
    low, high = (float(v) for v in np.percentile(shown, [_DARKEST_PERCENTILE, _BRIGHTEST_PERCENTILE]))
    grey = np.clip((values - low) / max(high - low, 1e-9), 0.0, 1.0) * 255.0
    shown_grey = np.where(valid, np.rint(grey), _COVERED_GREY).astype(np.uint8)
    shown_grey.setflags(write=False)
    return shown_grey
