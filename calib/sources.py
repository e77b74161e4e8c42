"""Where a scale can come from; each source gives a Scale with its uncertainty. There is no default."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.scale import Scale
from calib.units import Px


@dataclass(frozen=True, slots=True)
class HeaderNumbers:
    """Header values that bear on scale; spacings (row, column) in mm, distances in mm; None where absent."""

    imager_pixel_spacing_mm: tuple[float, float] | None = None
    pixel_spacing_mm: tuple[float, float] | None = None
    pixel_spacing_calibration_type: str | None = None
    object_pixel_spacing_mm: tuple[float, float] | None = None
    magnification: float | None = None
    source_to_detector_mm: float | None = None
    source_to_patient_mm: float | None = None


HEADER_RELATIVE_SD = {
    "header: object plane": 0.03,
    "header: fiducial": 0.03,
    "header: geometry": 0.05,
    "header: calibrated, kind unknown": 0.05,
    "header: isocentre estimate": 0.05,
}
"""Relative SD of each header source. A vessel 35 mm off the isocentre at 765 mm source distance is magnified by 4.6 %
(similar triangles); own choice from that, a fiducial's own error and depth taken as 3 %."""

MM_PER_PX_RANGE = (0.01, 2.0)
"""Typed scales that are believed; anything else is a typing error. Angiograms have 0.08 to 0.5 mm per px in the
vessel's plane (common practice, no source); a number above 2 is most often px per mm."""

_SAME = 0.005
"""Two spacings closer than this (relative) are the same number written twice."""


def scale_from_catheter(width: Px, true_mm: float, relative_tolerance: float, detail: dict[str, object]) -> Scale:
    """Scale from the measured width of a catheter of known diameter.

    Parameters
    ----------
    width : Px
        Measured width and its SD, px.
    true_mm : float
        Its true diameter, mm.
    relative_tolerance : float
        Relative SD of the true diameter around the label.
    detail : dict
        Recorded with the scale.

    Returns
    -------
    Scale
        ``true_mm / width``; relative variances of width and size add.

    Raises
    ------
    ValueError
        If the width or the diameter is not finite and positive.
    """
    value = _mm_per_px(true_mm, width)
    relative = math.hypot(width.sd / width.value, relative_tolerance)
    return Scale(value, value * relative, "catheter", detail)


def scale_typed(mm_per_px: float, sd_mm_per_px: float | None = None) -> Scale:
    """Scale typed in by the user.

    Parameters
    ----------
    mm_per_px : float
        Scale, mm per px.
    sd_mm_per_px : float, optional
        Its SD, mm per px; NaN unless given.

    Returns
    -------
    Scale
        With the source ``"typed in"``.

    Raises
    ------
    ValueError
        Outside ``MM_PER_PX_RANGE``, or with an SD that is negative or larger than the scale itself.
    """
    low, high = MM_PER_PX_RANGE
    if not low <= mm_per_px <= high:
        msg = (
            f"a scale of {mm_per_px:g} mm per px is outside {low:g} to {high:g}: check it, and that it is not px per mm"
        )
        raise ValueError(msg)
    if sd_mm_per_px is not None and not 0 <= sd_mm_per_px <= mm_per_px:
        msg = (
            f"an uncertainty of {sd_mm_per_px:g} mm per px does not fit a scale of {mm_per_px:g} mm per px: give one "
            "standard deviation in mm per px"
        )
        raise ValueError(msg)
    sd = math.nan if sd_mm_per_px is None else sd_mm_per_px
    return Scale(mm_per_px, sd, "typed in", {"sd_given": sd_mm_per_px is not None})


def scale_from_grid(pitch: Px, true_mm: float) -> Scale:
    """Scale from a grid or ruler.

    Parameters
    ----------
    pitch : Px
        Measured pitch and its SD, px.
    true_mm : float
        Its true pitch, mm, taken as exact.

    Returns
    -------
    Scale
        ``true_mm / pitch``, with the relative SD of the pitch.

    Raises
    ------
    ValueError
        If the pitch or its length is not positive.
    """
    value = _mm_per_px(true_mm, pitch)
    return Scale(value, value * pitch.sd / pitch.value, "grid", {"pitch_px": pitch.value, "pitch_mm": true_mm})


def _mm_per_px(true_mm: float, seen: Px) -> float:
    """Scale from an object of known size; ValueError when it was seen with no size."""
    if seen.value == 0:
        msg = "the measured length must not be zero"
        raise ValueError(msg)
    return true_mm / seen.value


def scale_from_header(numbers: HeaderNumbers) -> Scale | None:
    """Best scale that the header supports, None when it supports none in the vessel's plane.

    The order follows DICOM PS3.3 10.7.1: object-plane spacing of an enhanced frame; pixel spacing calibrated on a
    fiducial; calibrated by geometry; different from the imager's, hence corrected by an unknown method; imager spacing
    divided by the magnification. Pixel spacing that equals the imager's, or stands alone, is not in the vessel's plane:
    no scale.

    Parameters
    ----------
    numbers : HeaderNumbers
        Header values, already checked to be finite and positive.

    Returns
    -------
    Scale or None
        Column spacing as mm per px (frames are measured on square pixels of that size).
    """
    found = _choose(numbers)
    if found is None:
        return None
    source, value = found
    detail: dict[str, object] = {
        name: list(v) if isinstance(v, tuple) else v
        for name in HeaderNumbers.__slots__
        if (v := getattr(numbers, name)) is not None
    }
    return Scale(value, value * HEADER_RELATIVE_SD[source], source, detail)


def _choose(n: HeaderNumbers) -> tuple[str, float] | None:
    if n.object_pixel_spacing_mm is not None:
        return "header: object plane", n.object_pixel_spacing_mm[1]
    spacing, imager = n.pixel_spacing_mm, n.imager_pixel_spacing_mm
    kind = (n.pixel_spacing_calibration_type or "").strip().upper()
    corrected = spacing is not None and imager is not None and abs(spacing[1] / imager[1] - 1) > _SAME
    if spacing is not None and kind == "FIDUCIAL":
        return "header: fiducial", spacing[1]
    if spacing is not None and kind == "GEOMETRY":
        return "header: geometry", spacing[1]
    if spacing is not None and corrected:
        return "header: calibrated, kind unknown", spacing[1]
    magnification = n.magnification
    if magnification is None and n.source_to_detector_mm and n.source_to_patient_mm:
        magnification = n.source_to_detector_mm / n.source_to_patient_mm
    if imager is not None and magnification is not None:
        return "header: isocentre estimate", imager[1] / magnification
    return None
