"""Checks on scales: two of them compared, and magnification by depth."""

from __future__ import annotations

import math

from calib.scale import Scale


def disagreement(first: Scale, second: Scale) -> tuple[float, float]:
    """Relative difference of two scales and the SD it should have.

    Parameters
    ----------
    first, second : Scale
        Two scales of one frame.

    Returns
    -------
    tuple of float
        ``(first / second - 1, sd)``, without unit; the SD treats unknown uncertainties as zero.
    """
    relative = [s.relative_sd if math.isfinite(s.relative_sd) else 0.0 for s in (first, second)]
    return first.mm_per_px / second.mm_per_px - 1, math.hypot(*relative)


def depth_magnification(depth_mm: float, source_to_object_mm: float) -> float:
    """Relative change of apparent size of an object ``depth_mm`` nearer to the source than the calibration object.

    Similar triangles: ``SOD / (SOD - depth) - 1``; 10 mm at 700 mm gives +1.45 %.

    Parameters
    ----------
    depth_mm : float
        Distance towards the source, mm; negative away from it.
    source_to_object_mm : float
        Distance from the source to the calibration object, mm.

    Returns
    -------
    float
        Relative change, without unit.

    Raises
    ------
    ValueError
        If the depth reaches the source.
    """
    if depth_mm >= source_to_object_mm:
        msg = f"depth {depth_mm:g} mm must be smaller than the source distance {source_to_object_mm:g} mm"
        raise ValueError(msg)
    return source_to_object_mm / (source_to_object_mm - depth_mm) - 1
