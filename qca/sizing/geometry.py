"""Numbers computed from the geometry of the bifurcation and of each technique, ready to be shown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calib.units import Mm
from qca.sizing.apposition import wall_gap
from qca.sizing.facts import Facts
from qca.sizing.kissing import KissingPair, kissing_pair
from qca.sizing.needs import Need
from qca.sizing.ostium import Ellipse, bent_slant_mm, ostium, saddle_depth, slant_length
from qca.sizing.propagation import UNKNOWN, exact
from qca.sizing.technique_rules import kissing_ring
from qca.sizing.techniques import TechniqueAnswer


@dataclass(frozen=True, slots=True)
class BifurcationGeometry:
    """What follows from the references and angles alone.

    Parameters
    ----------
    step : Mm
        Proximal minus distal reference: how far a main stent sized to the distal vessel has to be opened.
    ostium : Ellipse
        Mouth of the side branch.
    slant : Mm
        ``S |cot B|``: ostium left bare by a T stent, or new carina left by T and protrusion.
    bent_slant_mm : float
        The same with the three limbs as measured, the main vessel's bend and taper included.
    saddle_mm : float
        How much the mouth's flanks lie deeper because the main vessel is round.
    kissing : KissingPair or None
        Ring around balloons of the daughters' references; None while one is unknown.
    kissing_stretch, kissing_stretch_sd : float
        That ring, as a circle, over the proximal reference.
    """

    step: Mm
    ostium: Ellipse
    slant: Mm
    bent_slant_mm: float
    saddle_mm: float
    kissing: KissingPair | None
    kissing_stretch: float
    kissing_stretch_sd: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """One stent at one place that it crosses.

    Parameters
    ----------
    role, label, limb : str
        Which stent, which device (empty while none is known), which limb.
    reference : Mm
        The limb's reference.
    nominal_mm : float
        Nominal diameter of the device, or the role's target.
    ratio : float
        Reference over nominal: the expansion needed there.
    gap : Mm
        Gap to the wall at nominal size (both sides alike); negative when the stent stretches the wall.
    expansion_used : float
        Reference over the device's limit; NaN when unknown.
    """

    role: str
    label: str
    limb: str
    reference: Mm
    nominal_mm: float
    ratio: float
    gap: Mm
    expansion_used: float


@dataclass(frozen=True, slots=True)
class TechniqueGeometry:
    """What a technique leaves behind with its devices.

    ``overlap_mm`` is the length in the proximal main vessel with two or more layers; ``bare_ostium`` and
    ``new_carina`` are NaN for techniques that leave none; ``least_proximal_mm`` is the stent length proximal to the
    carina that the optimisation balloon needs. ``kissing_ring`` is the ring around this technique's kissing balloons as
    a circle, ``kissing_stretch`` that over the proximal reference.
    """

    crossings: tuple[Crossing, ...]
    overlap_mm: float
    bare_ostium: Mm
    new_carina: Mm
    least_proximal_mm: float
    gap_before_optimisation: Mm
    kissing_ring: Mm
    kissing_stretch: float
    kissing_stretch_sd: float


def bifurcation_geometry(facts: Facts) -> BifurcationGeometry:
    """Compute what follows from references and angles alone."""
    proximal, distal, side = (facts.reference(name) for name in ("proximal", "distal", "side"))
    angle, angle_sd = facts.measured.angles_deg["B"]
    pair = kissing_pair(distal, side) if distal.value > 0 and side.value > 0 else None
    stretch, stretch_sd = pair.perimeter_equivalent.ratio(proximal) if pair else (math.nan, math.nan)
    return BifurcationGeometry(
        step=proximal - distal,
        ostium=ostium(side, angle),
        slant=slant_length(side, angle, angle_sd),
        bent_slant_mm=bent_slant_mm(proximal, distal, side, facts.measured.angles_deg["A"][0], angle),
        saddle_mm=saddle_depth(side, distal),
        kissing=pair,
        kissing_stretch=stretch,
        kissing_stretch_sd=stretch_sd,
    )


def _widest(gap: Mm) -> float:
    """Order gaps by size; one that is not known may be the widest."""
    return gap.value if math.isfinite(gap.value) else math.inf


def technique_geometry(result: TechniqueAnswer, facts: Facts, targets: Mapping[str, Need]) -> TechniqueGeometry:
    """Compute what a technique leaves behind.

    Parameters
    ----------
    result : TechniqueAnswer
        The technique with its devices.
    facts : Facts
        The measurement.
    targets : mapping
        Role to need, used where no device is known.
    """
    crossings = []
    for span in result.spans:
        device = result.attempt.device(span.role)
        nominal = exact(device.nominal_mm) if device else targets[span.role].target
        limit = device.expansion_limit_mm if device else math.nan
        through_proximal = span.shape == "tube" and span.proximal.value > 0
        for limb in ("proximal", span.limb) if through_proximal else (span.limb,):
            reference = facts.reference(limb)
            crossings.append(
                Crossing(
                    span.role,
                    device.label if device else "",
                    limb,
                    reference,
                    nominal.value,
                    reference.value / nominal.value if nominal.value > 0 else math.nan,
                    wall_gap(reference, nominal),
                    reference.value / limit,
                )
            )
    slant = slant_length(facts.reference("side"), *facts.measured.angles_deg["B"])
    balloon = result.attempt.device("optimisation_balloon")
    ring = kissing_ring(result.attempt)
    stretch, stretch_sd = ring.ratio(facts.reference("proximal"))
    in_proximal = [one for one in crossings if one.limb == "proximal"]
    return TechniqueGeometry(
        crossings=tuple(crossings),
        overlap_mm=sum(segment.to_mm - segment.from_mm for segment in result.struts["proximal"] if segment.layers > 1),
        bare_ostium=slant if result.technique.id == "t" else UNKNOWN,
        new_carina=slant if result.technique.id == "t_and_protrusion" else UNKNOWN,
        least_proximal_mm=balloon.length_mm if balloon else math.nan,
        gap_before_optimisation=max((one.gap for one in in_proximal), key=_widest, default=UNKNOWN),
        kissing_ring=ring,
        kissing_stretch=stretch,
        kissing_stretch_sd=stretch_sd,
    )
