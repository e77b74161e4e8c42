"""Sizes of the joint fit that are not measured."""

from __future__ import annotations

from dataclasses import dataclass, field

from qca.tube.censored import ENDLESS, GreyEnds
from qca.tube.priors import PriorNumbers


@dataclass(frozen=True, slots=True)
class FitOptions:
    """Sizes of the fit; lengths in px, own choice throughout.

    Parameters
    ----------
    margin_px : float
        Background beside the walls that takes part.
    radius_knot_px, offset_knot_px, gain_knot_px : float
        Knots along a limb of its radius, centreline and contrast.
    background_knot_px : float
        Knots of the background.
    huber : float
        Residuals beyond this many noise SDs weigh less (Huber PJ, Ann Math Stat 1964;35:73-101).
    smallest_radius_px : float
        No predicted lumen is thinner.
    wires : bool
        Whether guide wires are looked for in the lumen.
    least_wire : float
        Least area of a wire's profile, px^2.
    ends : GreyEnds
        Where the grey scale ends, vessels dark.
    priors : PriorNumbers
        What is believed before looking.
    """

    margin_px: float = 11.0
    radius_knot_px: float = 2.0
    offset_knot_px: float = 3.0
    gain_knot_px: float = 16.0
    background_knot_px: float = 10.0
    huber: float = 3.0
    smallest_radius_px: float = 0.15
    wires: bool = False
    least_wire: float = 0.0
    ends: GreyEnds = ENDLESS
    priors: PriorNumbers = field(default_factory=PriorNumbers)
