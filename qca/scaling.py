"""Which scale a reading uses: the catheter, a typed value or the header; never a default."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from calib.checks import disagreement
from calib.scale import Scale
from calib.sources import HeaderNumbers, scale_from_catheter, scale_from_header, scale_typed
from calib.units import Px
from qca.catheter import NO_SHAFT, Catheter, mm_per_px_by_itself, see_catheter, true_catheter_mm
from qca.doubts import saturated
from qca.errors import MissingScale, NoVessel
from qca.frames.frame import Frame
from qca.grey_model import GreyModel
from qca.picks import Picks
from qca.settings import Settings
from qca.tube.shaft import Shaft, settle_shaft
from qca.tube.shaft_model import GreyPrior, ShaftOptions
from qca.tube.shaft_sight import SeenShaft

Array = npt.NDArray[np.float64]


_LARGEST_MM_PER_PX = 0.8
"""A detector of 0.4 m read out as 512 pixels, magnifying nothing: no angiogram has larger ones."""

_LEAST_BLUR_SD = 0.02
"""No blur is known better than this, log px: vessels and catheter need not lie in one plane."""

_MORE_BLURRED, _MORE_BLURRED_Z = 0.2, 2.5
"""Logarithm by which a catheter is more blurred than the vessels, and its SDs, from which on something in it is the
cause: it moves less than they do. Without, phantoms stay under 2 SDs."""
_UNCLEAR = 0.1
"""Relative SD of the width from which it is no measure of anything; shafts that are seen have 0.02 to 0.05."""
_NO_MEASURE = 0.3
"""The same from which the catheter is refused."""
_OF_MEDIUM = 0.15, 1.8
"""Attenuation of wall or lumen, as a part of the vessels': 86 drawn shafts, eight of them empty, had 0.35 to 1.18, and
lines picked where there is none 0.03 to 3.2. Own choice."""
_TAPER, _SPREAD = 0.10, 0.08
"""Change along the shaft and spread between its windows, relative to its width, that structured background alone does
not bring about (up to 0.06 on simulated ribs and spine)."""


@dataclass(frozen=True, slots=True)
class Scaling:
    """A scale (or None), the codes of the flags it raised, and the traced shaft (or None) for display.

    The shaft's points are (row, column) on square pixels from ``origin`` (2,).
    """

    scale: Scale | None
    codes: tuple[str, ...]
    shaft: Shaft | None
    origin: Array


def find_scale(
    frame: Frame,
    image: Array,
    picks: Picks,
    settings: Settings,
    grey: GreyModel,
    catheter: Catheter | None = None,
    *,
    dark: bool,
) -> Scaling:
    """Scale of the frame by the source that the picks name.

    Parameters
    ----------
    frame : Frame
        For its header numbers and valid region.
    image : ndarray, shape (rows, columns)
        Square pixels, vessels dark.
    picks : Picks
        Catheter, typed scale, or header.
    settings : Settings
        Tolerances.
    grey : GreyModel
        Blur and bending from the vessels.
    catheter : Catheter, optional
        The catheter where it was seen before.
    dark : bool
        Whether vessels are dark in the file.

    Returns
    -------
    Scaling
        ``scale`` None when the picks name no source.

    Raises
    ------
    PicksError, NoVessel, MissingScale
        If the named source cannot give a scale.
    """
    header = scale_from_header(header_numbers(frame))
    none = np.zeros(2)
    if picks.mm_per_px is not None:
        scale = scale_typed(picks.mm_per_px, picks.mm_per_px_sd)
        codes = ("scale_unstated_sd",) if picks.mm_per_px_sd is None else ()
        return Scaling(scale, codes, None, none)
    if picks.scale == "header":
        if header is None:
            msg = (
                "the header holds no scale for the vessel's plane: "
                "calibrate on a catheter or type the scale in mm per px"
            )
            raise MissingScale(msg, file=frame.file)
        return Scaling(header, ("scale_header",), None, none)
    true_mm = true_catheter_mm(picks)
    if true_mm is None:
        return Scaling(None, ("scale_missing",), None, none)
    if catheter is None:
        catheter = see_catheter(frame, image, picks, settings, dark=dark)
    blur_sd = max(grey.log_sigma_sd, _LEAST_BLUR_SD)
    told = GreyPrior(grey.log_sigma, blur_sd, grey.bend, grey.contrast, grey.level, grey.curve)
    shaft = settle_shaft(catheter.shaft, told, catheter.options)
    if not (0.5 < shaft.outer_px / 2 < 40) or shaft.amplitude_outer + shaft.amplitude_inner <= 0:
        raise NoVessel(NO_SHAFT)
    if shaft.outer_sd_px > _NO_MEASURE * shaft.outer_px:
        msg = (
            "no catheter shaft found between the two catheter points: what lies there may have any width around "
            f"{shaft.outer_px:.0f} px; pick a stretch that stands out, or another source of scale"
        )
        raise NoVessel(msg)
    if true_mm > _LARGEST_MM_PER_PX * shaft.outer_px:
        msg = (
            f"no catheter shaft found between the two catheter points: what lies there is {shaft.outer_px:.1f} px "
            f"wide, too narrow for {true_mm:.2f} mm; pick a stretch that stands out, or another source of scale"
        )
        raise NoVessel(msg)
    scaling = _from_shaft(shaft, catheter.origin, picks, settings, true_mm, header)
    pixels = catheter.shaft.solution.pixels
    # what it took for contrast is not what the vessels have: one of the two is something else
    strange = grey.contrast is None and catheter.shaft.contrast is not None
    if (strange or _unlike_a_shaft(shaft, grey)) and "catheter_unclear" not in scaling.codes:
        scaling = replace(scaling, codes=(*scaling.codes, "catheter_unclear"))
    code = _wire_code(catheter.shaft, shaft, grey)
    if code is not None:
        scaling = replace(scaling, codes=(*scaling.codes, code))
    if saturated(pixels.censored.seen[np.abs(pixels.x) < shaft.outer_px / 2]):
        scaling = replace(scaling, codes=(*scaling.codes, "saturated"))
    return scaling


def rough_mm_per_px(frame: Frame, picks: Picks, catheter: Catheter | None) -> float | None:
    """Scale, mm per px, before the vessels are measured.

    Parameters
    ----------
    frame : Frame
        For its header numbers.
    picks : Picks
        Catheter, typed scale, or header.
    catheter : Catheter or None
        The catheter as it was seen by itself, where it is the source.

    Returns
    -------
    float or None
        None where no source is named or the named one tells nothing.
    """
    if catheter is not None:
        return mm_per_px_by_itself(catheter, picks)
    if picks.mm_per_px is not None:
        return picks.mm_per_px
    header = scale_from_header(header_numbers(frame)) if picks.scale == "header" else None
    return None if header is None else header.mm_per_px


def _unlike_a_shaft(shaft: Shaft, grey: GreyModel) -> bool:
    """Whether what was taken for a shaft attenuates next to nothing, or far more than medium: a shade, or noise."""
    if grey.contrast is None:
        return False
    part = max(shaft.amplitude_outer, shaft.amplitude_inner) / grey.contrast
    return not _OF_MEDIUM[0] <= part <= _OF_MEDIUM[1]


def _wire_code(seen: SeenShaft, shaft: Shaft, grey: GreyModel) -> str | None:
    """Flag of something in a catheter's lumen, None where nothing is.

    A wire on the axis leaves nothing over: it makes a narrower, darker shaft of it, more blurred than the vessels.
    """
    more = seen.log_sigma - grey.log_sigma
    blurred = more > _MORE_BLURRED and more > _MORE_BLURRED_Z * math.hypot(seen.log_sigma_sd, grey.log_sigma_sd)
    if blurred or shaft.wire == "doubtful":
        return "catheter_doubtful"
    return None if shaft.wire is None else "catheter_wire"


def header_numbers(frame: Frame) -> HeaderNumbers:
    """Pick the header values of a frame that bear on scale: spacings and distances in mm, None where absent."""
    names = {f.name for f in fields(HeaderNumbers)}
    return HeaderNumbers(**{n: getattr(frame.geometry, n) for n in names})


def _from_shaft(
    shaft: Shaft, origin: Array, picks: Picks, settings: Settings, true_mm: float, header: Scale | None
) -> Scaling:
    codes: list[str] = []
    lumen = picks.catheter_feature == "filled_lumen"
    width, width_sd = (shaft.inner_px, shaft.inner_sd_px) if lumen else (shaft.outer_px, shaft.outer_sd_px)
    windows = max(shaft.length_px / ShaftOptions().window_px, 1.0)
    excess = max(_or_zero(shaft.spread_px) ** 2 - shaft.spread_expected_px**2, 0.0) / windows
    width_sd = math.sqrt(width_sd**2 + excess)
    if shaft.length_px < 5 * width:
        codes.append("catheter_short")
    tapers = abs(shaft.taper) > _TAPER and abs(shaft.taper) > 4 * shaft.taper_sd
    spreads = _or_zero(shaft.spread_px) > _SPREAD * width and shaft.spread_px > 2 * shaft.spread_expected_px
    if tapers or spreads:
        codes.append("catheter_tapers")
    if not shaft.visible or shaft.ambiguous or width_sd > _UNCLEAR * width:
        codes.append("catheter_unclear")
    if true_mm < settings.small_catheter_french / 3 - 1e-6:
        codes.append("catheter_small")
    tolerance = settings.catheter_tolerance
    if settings.catheter_depth_sd_mm > 0:
        tolerance = math.hypot(tolerance, 0.0014 * settings.catheter_depth_sd_mm)
    detail: dict[str, object] = {
        "catheter_mm": true_mm,
        "french": picks.french,
        "feature": picks.catheter_feature,
        "width_px": width,
        "width_sd_px": width_sd,
        "shaft_length_px": shaft.length_px,
        "width_spread_px": shaft.spread_px,
        "width_spread_expected_px": shaft.spread_expected_px,
        "taper": shaft.taper,
        "contrast_filled": shaft.filled,
        "size_tolerance": settings.catheter_tolerance,
    }
    if header is not None:
        difference, sd = disagreement(scale_from_catheter(Px(width, width_sd), true_mm, tolerance, {}), header)
        detail |= {
            "header_mm_per_px": header.mm_per_px,
            "header_source": header.source,
            "header_difference": difference,
        }
        if abs(difference) > 2 * sd:
            codes.append("scale_disagrees")
    scale = scale_from_catheter(Px(width, width_sd), true_mm, tolerance, detail)
    return Scaling(scale, tuple(codes), shaft, origin)


def _or_zero(value: float) -> float:
    return value if math.isfinite(value) else 0.0
