"""A first look at the catheter before any vessel point is set: the traced shaft and a provisional scale.

The measurement itself takes the blur of the image from the vessels; here nothing is known of it yet, and a guess with a
wide uncertainty stands in. The numbers are for the eye, never for a reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from qca.errors import MeasurementError
from qca.exposed import exposed_part
from qca.frames.frame import Frame
from qca.grey_model import GUESS
from qca.picked_points import all_exposed
from qca.picks import Picks
from qca.scaling import Scaling, find_scale
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.working_image import square_pixels

Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ShaftLook:
    """Provisional scale (None without one), flag codes, and the shaft's walls (N, 2), (x, y) in stored pixels."""

    scale: Scale | None
    codes: tuple[str, ...]
    left_px: Points | None
    right_px: Points | None


def look_at_shaft(frame: Frame, picks: Picks, settings: Settings = DEFAULT_SETTINGS) -> ShaftLook:
    """Trace the catheter, or evaluate the header's or the typed scale, without any vessel point.

    Parameters
    ----------
    frame : Frame
        Stored grey values and header numbers.
    picks : Picks
        Only what belongs to the scale is used.
    settings : Settings
        Tolerances.

    Returns
    -------
    ShaftLook
        Provisional: the blur is a guess, so the final scale differs within its uncertainty.

    Raises
    ------
    PicksError, NoVessel, MissingScale
        If the named source cannot give a scale.
    """
    lit = exposed_part(frame)
    frame = lit if all_exposed(lit, picks, settings.pick_radius_px) else frame
    image = square_pixels(frame)
    dark = frame.dark_vessels
    if dark is None:
        found = _either_polarity(frame, image, picks, settings)
    else:
        found = find_scale(frame, image if dark else -image, picks, settings, GUESS, dark=dark)
    if found.shaft is None:
        return ShaftLook(found.scale, found.codes, None, None)
    left, right = (_stored(wall + found.origin, frame) for wall in (found.shaft.left, found.shaft.right))
    return ShaftLook(found.scale, found.codes, left, right)


def _either_polarity(frame: Frame, image: Points, picks: Picks, settings: Settings) -> Scaling:
    """Take the shaft for dark first: so it is in nearly every export."""
    try:
        return find_scale(frame, image, picks, settings, GUESS, dark=True)
    except MeasurementError:
        return find_scale(frame, -image, picks, settings, GUESS, dark=False)


def _stored(points: Points, frame: Frame) -> Points:
    out = np.column_stack([points[:, 1], points[:, 0] / frame.pixel_aspect])
    out.setflags(write=False)
    return out
