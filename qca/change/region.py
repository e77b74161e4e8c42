"""Stretches of a limb and the smallest lumen inside them: in the stent, at its margins, at the ostium."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from calib.units import Mm
from qca.sizing.measured import MeasuredLimb, split
from qca.sizing.propagation import UNKNOWN

MARGIN_MM = 5.0
"""Margins reach this far beyond each end of a stent (the in-segment definition of restenosis), the ostium this far
into the side branch."""

_SAME_PLACE_MM = 0.5
"""A minimum this close to the reading's MLD is the reading's MLD."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a limb, positions from the carina outwards, mm."""

    from_mm: float
    to_mm: float

    def __post_init__(self) -> None:
        """Refuse a stretch that is none."""
        if not 0.0 <= self.from_mm < self.to_mm:
            msg = f"a stretch runs from 0 or more to something larger, not from {self.from_mm:g} to {self.to_mm:g} mm"
            raise ValueError(msg)

    def margins(self) -> tuple[Stretch, ...]:
        """Give the stretches of 5 mm beyond both ends; none before the carina."""
        outer = Stretch(self.to_mm, self.to_mm + MARGIN_MM)
        if self.from_mm == 0.0:
            return (outer,)
        return (Stretch(max(0.0, self.from_mm - MARGIN_MM), self.from_mm), outer)


@dataclass(frozen=True, slots=True)
class Narrowest:
    """The smallest lumen of a stretch.

    Parameters
    ----------
    mld : Mm
        Smallest diameter; NaN when nothing of the stretch was measured.
    ds_percent, ds_sd_percent : float
        Its percent stenosis against the reference at its place.
    position_mm : float
        Where it is.
    corrected : bool
        True when it is the reading's own MLD; False for a bare minimum of the profile, which noise makes a little
        too small.
    missing_mm : float
        How much of the stretches lies beyond what was traced, where a narrowing would not be seen.
    """

    mld: Mm
    ds_percent: float
    ds_sd_percent: float
    position_mm: float
    corrected: bool
    missing_mm: float = 0.0


NOTHING = Narrowest(UNKNOWN, math.nan, math.nan, math.nan, corrected=False)


def whole(limb: MeasuredLimb) -> Narrowest:
    """Give the reading's own MLD of a limb."""
    return Narrowest(limb.mld, limb.ds_percent, limb.ds_sd_percent, limb.mld_position_mm, corrected=True)


def narrowest(limb: MeasuredLimb, stretches: tuple[Stretch, ...], scale_relative_sd: float) -> Narrowest:
    """Find the smallest lumen in any of the stretches."""
    inside = [
        k
        for k, (position, _) in enumerate(limb.outline)
        if any(one.from_mm <= position <= one.to_mm for one in stretches)
    ]
    missing = _untraced(limb, stretches)
    if not inside:
        return replace(NOTHING, missing_mm=missing)
    k = min(inside, key=lambda index: limb.outline[index][1])
    position, diameter = limb.outline[k]
    if abs(position - limb.mld_position_mm) <= _SAME_PLACE_MM:
        return replace(whole(limb), missing_mm=missing)
    mld = split(diameter, limb.outline_sd[k], scale_relative_sd)
    local = limb.outline_reference[k]
    share = local / limb.reference.value if math.isfinite(local) and limb.reference.value > 0 else 1.0
    ratio, ratio_sd = mld.ratio(limb.reference.times(share))
    return Narrowest(mld, 100.0 * (1.0 - ratio), 100.0 * ratio_sd, position, corrected=False, missing_mm=missing)


def _untraced(limb: MeasuredLimb, stretches: tuple[Stretch, ...]) -> float:
    """Add up what lies further out than the last measured diameter; the confluence, which has none, is not counted."""
    last = limb.outline[-1][0] if limb.outline else 0.0
    missing = sum(one.to_mm - max(one.from_mm, min(last, one.to_mm)) for one in stretches)
    return missing if missing > _SAME_PLACE_MM else 0.0
