"""The picked catheter: its true size, and its shaft as it is first seen, by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.known import catheter_mm, french_to_mm
from qca.errors import NoVessel, PicksError
from qca.frames.frame import Frame
from qca.grey_ends import grey_ends
from qca.grey_model import GUESS
from qca.picks import Picks
from qca.settings import Settings
from qca.tree.trace import crop_around, first_radius, trace_tree
from qca.tube.curve import curve_through
from qca.tube.shaft_model import GreyPrior, ShaftOptions
from qca.tube.shaft_sight import SeenShaft, see_shaft
from qca.working_image import square_valid

Array = npt.NDArray[np.float64]

_SHAFT_SCALES_PX = (4.0, 6.0)
"""Ridge scales for a shaft: coarse enough to see the two walls of an empty catheter as one."""

NO_SHAFT = "no catheter shaft found between the two catheter points: pick both on the same visible stretch of shaft"


@dataclass(frozen=True, slots=True)
class Catheter:
    """The picked catheter as it was first seen; ``origin`` is its crop's corner, (row, column)."""

    shaft: SeenShaft
    origin: Array
    options: ShaftOptions


def true_catheter_mm(picks: Picks) -> float | None:
    """Diameter of the picked catheter, mm; None without a catheter.

    Raises
    ------
    PicksError
        If the size is missing or absurd.
    """
    if picks.catheter is None:
        return None
    try:
        if picks.catheter_mm is not None:
            return catheter_mm(picks.catheter_mm)
        if picks.french is not None:
            return french_to_mm(picks.french)
    except ValueError as error:
        raise PicksError(str(error)) from error
    msg = "the catheter has points but no size: give its French size or its diameter in mm"
    raise PicksError(msg)


def mm_per_px_by_itself(catheter: Catheter, picks: Picks) -> float:
    """Give the scale, mm per px, as the catheter by itself tells it."""
    true_mm = true_catheter_mm(picks)
    assert true_mm is not None  # noqa: S101 - there is a catheter
    solution = catheter.shaft.solution
    lumen = picks.catheter_feature == "filled_lumen"
    return true_mm / (2 * solution.radius_px * (float(solution.theta[1]) if lumen else 1.0))


def uses_catheter(picks: Picks) -> bool:
    """Whether the scale comes from the picked catheter."""
    return picks.mm_per_px is None and picks.scale != "header" and true_catheter_mm(picks) is not None


def see_catheter(frame: Frame, image: Array, picks: Picks, settings: Settings, *, dark: bool) -> Catheter:
    """Trace the catheter between its two picks and fit it by itself.

    Parameters
    ----------
    frame : Frame
        For its valid region and pixel aspect.
    image : ndarray, shape (rows, columns)
        Square pixels, catheter dark.
    picks : Picks
        With the two catheter points and what of the catheter is measured.
    settings : Settings
        Lengths.
    dark : bool
        Whether it is dark in the file.

    Returns
    -------
    Catheter
        In crop coordinates, px.

    Raises
    ------
    PicksError
        If the points lie outside the frame or on one spot.
    NoVessel
        If nothing like a shaft is there.
    """
    assert picks.catheter is not None  # noqa: S101 - the caller has checked
    ends = np.array([[p[1] * frame.pixel_aspect, p[0]] for p in picks.catheter])
    distance = float(np.linalg.norm(ends[0] - ends[1]))
    if distance < 2 * settings.min_limb_length_px:
        msg = (
            f"the two catheter points are only {distance:.1f} px apart: pick them at least "
            f"{2 * settings.min_limb_length_px:.0f} px apart along the shaft"
        )
        raise PicksError(msg)
    valid = square_valid(frame, image)
    crop = crop_around(image, valid, ends, 30.0)
    path = trace_tree(crop, ends - crop.origin, settings.pick_radius_px, _SHAFT_SCALES_PX)[0]
    curve = curve_through(path, 6.0)
    if curve.length > 1.5 * distance:
        raise NoVessel(NO_SHAFT)
    start = float(np.median(first_radius(crop.image, curve.points, curve.normal, 20.0)))
    options = ShaftOptions(ends=grey_ends(frame, dark=dark))
    prior = GreyPrior(GUESS.log_sigma, GUESS.log_sigma_sd, GUESS.bend)
    shaft = see_shaft(crop.image, curve, start, prior, options, feature=picks.catheter_feature, valid=crop.valid)
    return Catheter(shaft, crop.origin, options)
