"""Everything computed from one frame and its picks.

Lengths exist twice: in pixels (always) and in millimetres (NaN without a scale). ``sd`` is one standard deviation
and includes the scale's part in every ``_mm`` field. Unknown is NaN with a flag that says why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from qca.picks import Picks
from qca.settings import Settings

Vector = npt.NDArray[np.float64]
Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Flag:
    """A reason to look twice: ``code`` from the flag table, where it applies, and the sentence shown.

    ``untrusted`` says for scripts what the table says of the code: numbers it touches must not be used as they stand.
    Readings of older versions do not say so; then it is taken for true.
    """

    code: str
    where: str
    message: str
    untrusted: bool = True


@dataclass(frozen=True, slots=True)
class Profile:
    """Diameter along one limb; N positions from the carina outwards. Arrays are read-only.

    ``position_px``, ``diameter_px``, ``diameter_sd_px``, ``reference_px`` and their ``_mm`` twins have shape (N,);
    ``x_px``, ``y_px`` (N,) is the centreline and ``left_px``, ``right_px`` (N, 2) the walls, all (x, y) in stored
    pixels; left is the left hand of someone walking outwards with the image's y axis pointing down.
    """

    position_px: Vector
    diameter_px: Vector
    diameter_sd_px: Vector
    reference_px: Vector
    position_mm: Vector
    diameter_mm: Vector
    diameter_sd_mm: Vector
    reference_mm: Vector
    flags: tuple[tuple[str, ...], ...]
    x_px: Vector
    y_px: Vector
    left_px: Points
    right_px: Points


@dataclass(frozen=True, slots=True)
class LimbReading:
    """The numbers of one limb. ``reference_source`` says what the reference rests on.

    ``law_reference_px`` is the diameter that a law of bifurcation diameters (named in ``law_reference_source``) gives
    this limb from the references of the two others; NaN for a segment or where the law has no answer.
    """

    mld_px: float
    mld_sd_px: float
    mld_position_px: float
    reference_px: float
    reference_sd_px: float
    lesion_start_px: float
    lesion_end_px: float
    lesion_length_px: float
    lesion_length_sd_px: float
    length_px: float
    mld_mm: float
    mld_sd_mm: float
    mld_position_mm: float
    reference_mm: float
    reference_sd_mm: float
    lesion_start_mm: float
    lesion_end_mm: float
    lesion_length_mm: float
    lesion_length_sd_mm: float
    length_mm: float
    reference_source: str
    ds_percent: float
    ds_sd_percent: float
    area_stenosis_percent: float
    area_stenosis_sd_percent: float
    flags: tuple[str, ...]
    profile: Profile
    edited: bool = False
    law_reference_px: float = math.nan
    law_reference_mm: float = math.nan
    law_reference_source: str = ""


@dataclass(frozen=True, slots=True)
class Angles:
    """Bifurcation angles, degrees: A proximal-side, B distal-side, C proximal-distal, with SD."""

    A: float
    B: float
    C: float
    sd_A: float
    sd_B: float
    sd_C: float


@dataclass(frozen=True, slots=True)
class Medina:
    """Medina code in the order proximal, distal, side.

    ``code`` holds a ``?`` for a digit that cannot be told. ``distance_percent``: DS minus threshold per digit.
    ``probability``: probability that each digit is 1.
    """

    code: str
    threshold_percent: float
    distance_percent: tuple[float, float, float]
    probability: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """Which frame was measured."""

    file: str
    sha256: str
    index: int
    rows: int
    columns: int
    grey_rule: str
    detail: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class WireLine:
    """Where a guide wire was found in a limb's lumen: ``line_px`` (N, 2), (x, y) in stored pixels, outwards."""

    limb: str
    line_px: Points


@dataclass(frozen=True, slots=True)
class Reading:
    """Scale, limbs, angles, Medina code, flags and provenance of one measured frame.

    ``limbs`` has the keys proximal, distal, side, or the one key segment. ``branching_point_px`` and ``carina_px``
    are (x, y) in stored pixels, None for a segment. ``fit`` holds the shared parameters of the fit (blur in px and
    mm, contrast, residual statistics), JSON-able. ``catheter_left_px`` and
    ``catheter_right_px`` are the traced catheter's walls, ``wires`` the wires that were taken out of the lumen.
    """

    frame: FrameRecord
    picks: Picks
    settings: Settings
    scale: Scale | None
    limbs: Mapping[str, LimbReading]
    angles: Angles | None
    medina: Medina | None
    branching_point_px: tuple[float, float] | None
    carina_px: tuple[float, float] | None
    flags: tuple[Flag, ...]
    fit: Mapping[str, object]
    catheter_left_px: Points | None = None
    catheter_right_px: Points | None = None
    wires: tuple[WireLine, ...] = ()
