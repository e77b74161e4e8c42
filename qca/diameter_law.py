"""The law of bifurcation diameters that a limb's reference is held against."""

from __future__ import annotations

import math
from collections.abc import Mapping

from qca.picks import LimbName
from qca.sizing.laws import LAW_SCATTER

_NARROW_SD = 2.0
"""From so many SDs of the law's scatter on the three limbs' references cannot all be healthy ones; own choice."""
LAW_SOURCE = "Huo-Kassab diameter law, exponent 7/3 (Huo Y et al., EuroIntervention 2012;7:1310-1316)"
_EXPONENT = 7 / 3


def law_reference(name: LimbName, references: Mapping[str, float]) -> float:
    """Compute the reference diameter of a limb from those of the two others by the Huo-Kassab law.

    ``Dp^(7/3) = D1^(7/3) + D2^(7/3)``; valid for all bifurcation types (Huo Y et al., EuroIntervention
    2012;7:1310-1316).

    Parameters
    ----------
    name : str
        The limb.
    references : mapping
        Reference diameter of each limb, all in one unit.

    Returns
    -------
    float
        In that unit; NaN for a segment, and where the others leave nothing.
    """
    if name not in ("proximal", "distal", "side") or len(references) != 3:
        return math.nan
    proximal, distal, side = (references[n] ** _EXPONENT for n in ("proximal", "distal", "side"))
    power = {"proximal": distal + side, "distal": proximal - side, "side": proximal - distal}[name]
    return float(power ** (1 / _EXPONENT)) if power > 0 else math.nan


def narrow_for_the_law(name: LimbName, references: Mapping[str, float]) -> bool:
    """Whether the diameter law holds a limb's reference too small for the two others, beyond the law's own scatter.

    What scatters is the mother around what the daughters make of it. A daughter is what mother and other daughter leave
    over, which scatters several times as much where it is the smaller one.

    Parameters
    ----------
    name : str
        The limb.
    references : mapping
        Reference diameter of each limb where it leaves the others, all in one unit: vessels taper.

    Returns
    -------
    bool
        False for a segment.
    """
    law = law_reference("proximal", references)
    if not law > 0:
        return False
    away = math.log(references["proximal"] / law) / LAW_SCATTER
    if name == "proximal":
        return away < -_NARROW_SD
    own = law_reference(name, references)
    return away > _NARROW_SD and references[name] < own
