"""The part of a frame that is worked on: square pixels, cut to the picks, vessels dark."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.tree.ridge import both_strengths, ridge_margin
from qca.tree.trace import Crop, crop_around

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_LOOK_PX = 10
"""How far around a pick its vessel or catheter is looked for, to tell whether it is dark or bright. Where this was 4,
half of the frames with every pick 3 px beside its vessel were turned the wrong way; with 8 and the catheter, none."""
_LOOK_SCALES_PX = (3.0, 9.0)
"""Scales of the ridges that count: what is wider than noise, up to lumens of about 40 px."""


def square_pixels(frame: Frame) -> Array:
    """Pixels resampled to square ones of the column pitch; unchanged when they are square."""
    if abs(frame.pixel_aspect - 1) < 1e-6:
        return frame.pixels
    from scipy.ndimage import map_coordinates

    rows = int(np.floor((frame.rows - 1) * frame.pixel_aspect)) + 1
    r, c = np.mgrid[0:rows, 0 : frame.columns].astype(float)
    return np.asarray(map_coordinates(frame.pixels, [r / frame.pixel_aspect, c], order=3, mode="nearest"))


def working_crop(
    frame: Frame, image: Array, ends: Array, margin_px: float, shaft: Array | None = None
) -> tuple[Crop, bool]:
    """Cut out the picks' surroundings and turn vessels dark; second value False when grey values were turned.

    ``ends`` (N, 2) are points on the vessels, ``shaft`` (2, 2) those on the catheter, which is as dark or bright; all
    (row, column).
    """
    valid = square_valid(frame, image)
    extent = float(np.ptp(ends, axis=0).max())
    crop = crop_around(image, valid, ends, max(margin_px, 0.25 * extent))
    dark = frame.dark_vessels
    if dark is None:
        dark = _looks_dark(image, valid, ends if shaft is None else np.vstack([ends, shaft]))
    return (crop if dark else Crop(-crop.image, crop.valid, crop.origin)), dark


def _looks_dark(image: Array, valid: Mask, picks: Array) -> bool:
    """Whether ridges near the picks are darker than their surroundings: noise has as many of either kind."""
    return sum(_darker_near(image, valid, r, c) for r, c in np.round(picks).astype(int)) >= 0


def _darker_near(image: Array, valid: Mask, r: int, c: int) -> float:
    """How much the strongest dark ridges within `_LOOK_PX` of a pixel exceed the strongest bright ones, grey levels.

    Each scale counts by itself: in a wide lumen the finest ones see noise alone.
    """
    more = 0.0
    for scale in _LOOK_SCALES_PX:
        reach = _LOOK_PX + ridge_margin((scale,))
        top, left = max(r - reach, 0), max(c - reach, 0)
        patch = image[top : r + reach + 1, left : c + reach + 1]
        seen = valid[top : r + reach + 1, left : c + reach + 1]
        if not seen.any():
            return 0.0
        if not seen.all():
            # the edge of a shadow is no ridge
            patch = np.where(seen, patch, np.median(patch[seen]))
        rows, columns = (slice(max(k - _LOOK_PX, 0), k + _LOOK_PX + 1) for k in (r - top, c - left))
        near = rows, columns
        bright, dark = (float(strength[near].max(initial=0.0)) for strength in both_strengths(patch, scale))
        # the ridge filter's sigma^1.5 favours what is thin; sigma^2 weighs a contrast alike at all scales
        more += (dark - bright) * scale**0.5
    return more


def square_valid(frame: Frame, image: Array) -> npt.NDArray[np.bool_]:
    """Find the valid region on the square-pixel image.

    Parameters
    ----------
    frame : Frame
        With its valid region on the stored pixels.
    image : ndarray, shape (rows, columns)
        Its square pixels; only the shape counts.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        False under a shutter.
    """
    if image.shape == frame.valid.shape:
        return frame.valid
    rows = np.minimum((np.arange(image.shape[0]) / frame.pixel_aspect + 0.5).astype(int), frame.rows - 1)
    return np.asarray(frame.valid[rows], dtype=np.bool_)
