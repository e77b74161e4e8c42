"""Where a frame's grey scale ends, and what lies there."""

from __future__ import annotations

import math

import numpy as np

from qca.frames.frame import Frame
from qca.tube.censored import GreyEnds
from qca.tube.noise import MAD_TO_SD, high_passed

_PILE, _PILE_BESIDE, _PILE_PART = 2.0, 8, 0.0005
"""A grey scale is cut where this many times as many pixels have the outermost value as one of the next eight levels,
and they are this part of the frame."""
_NOISELESS = 0.5
"""SD of the noise, grey levels, under which they pile up wherever the picture is even."""
_BEYOND = 0.5
"""Grey levels by which a pixel may leave the range that the file states, by rounding."""


def cut_off(frame: Frame) -> bool:
    """Whether many pixels of the whole frame lie at an end of its grey scale."""
    (low, _), (high, _) = _ends(frame)
    pixels = frame.pixels[frame.valid]
    return float(np.mean((pixels <= low) | (pixels >= high))) > _PILE_PART


def grey_ends(frame: Frame, *, dark: bool) -> GreyEnds:
    """Where the grey scale ends: at the file's range, or where an export has cut it and many pixels pile up.

    Parameters
    ----------
    frame : Frame
        Stored grey values.
    dark : bool
        Whether its vessels are dark.

    Returns
    -------
    GreyEnds
        Grey levels, vessels dark.
    """
    (low, low_noise), (high, high_noise) = _ends(frame)
    return GreyEnds(low, high, noisy=high_noise) if dark else GreyEnds(-high, -low, noisy=low_noise)


def _ends(frame: Frame) -> list[tuple[float, bool]]:
    """Low and high end, stored grey values, and whether many pixels lie at the outermost value and noise elsewhere."""
    pixels = frame.pixels[frame.valid]
    ends = []
    for stated, sign in zip(frame.grey_range, (1.0, -1.0), strict=True):
        depth = sign * pixels
        least = float(depth.min(initial=np.inf))
        piled = int((depth == least).sum())
        noisy = piled > _PILE_PART * len(pixels) and _noise_apart_from(frame, sign * least) > _NOISELESS
        beside = int((depth <= least + _PILE_BESIDE).sum()) - piled if noisy else 0
        cut = noisy and piled > _PILE * beside / _PILE_BESIDE
        # a range that pixels leave is not where they end
        end = -sign * math.inf if least < sign * stated - _BEYOND else stated
        ends.append((sign * least if cut else end, noisy))
    return ends


def _noise_apart_from(frame: Frame, level: float) -> float:
    """SD of single pixels' noise, grey levels, where no pixel has ``level``; 0 where there are none."""
    passed = high_passed(np.where(frame.valid & (frame.pixels != level), frame.pixels, np.nan))
    return MAD_TO_SD * float(np.median(np.abs(passed))) if passed.size else 0.0
