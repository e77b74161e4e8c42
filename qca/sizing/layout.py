"""Where the stents of each technique lie: how far into each limb, in what shape, in how many layers.

Positions run from the carina outwards along each limb, mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from calib.units import Mm
from qca.sizing.facts import Facts
from qca.sizing.ostium import slant_length
from qca.sizing.probability import probability_below
from qca.sizing.propagation import UNKNOWN, exact, larger

StentRole = Literal["main_stent", "side_stent"]
Shape = Literal["tube", "crushed", "standing"]

CRUSHED_LAYERS = 2
"""A stent that is folded flat against one wall puts two layers there."""


@dataclass(frozen=True, slots=True)
class StentSpan:
    """One stent of a technique.

    Parameters
    ----------
    role : str
        main_stent or side_stent.
    limb : str
        The daughter it reaches into: distal or side.
    proximal : Mm
        Its length in the proximal main vessel.
    daughter : Mm
        Its length in the daughter.
    shape : str
        Its part in the proximal main vessel: an open ``tube``, ``crushed`` against the side branch's wall, or
        ``standing`` free in the lumen as a new carina.
    must_reach : str
        The limb whose reference its diameter must be able to reach.
    takes_rest : str
        ``"proximal"`` or ``"daughter"``: where the rest of a stent goes that is longer than needed.
    """

    role: StentRole
    limb: Literal["distal", "side"]
    proximal: Mm
    daughter: Mm
    shape: Shape
    must_reach: Literal["proximal", "side"]
    takes_rest: Literal["proximal", "daughter"]

    @property
    def length(self) -> Mm:
        """Length that the stent needs."""
        return self.proximal + self.daughter

    def with_length(self, length_mm: float) -> StentSpan:
        """Lay a stent of an actual length: the margin goes where the technique puts it, a lack is taken there."""
        rest = length_mm - self.length.value
        if self.takes_rest == "proximal":
            return replace(self, proximal=exact(max(0.0, self.proximal.value + rest)))
        return replace(self, daughter=exact(max(0.0, self.daughter.value + rest)))


@dataclass(frozen=True, slots=True)
class Layout:
    """The stents of one technique in the order of implantation.

    Parameters
    ----------
    technique : str
        Technique id.
    stents : tuple of StentSpan
        First stent first.
    entered : str
        The limb that is entered through the struts of ``crossed``.
    crossed : str
        Role of the stent whose cell is crossed.
    first_limb_probability : float
        Classic culotte: probability that the side branch is the more angulated daughter; NaN otherwise.
    """

    technique: str
    stents: tuple[StentSpan, ...]
    entered: Literal["distal", "side"]
    crossed: StentRole
    first_limb_probability: float = math.nan

    def span(self, role: str) -> StentSpan | None:
        """Give the stent of a role; None when the technique has none."""
        return next((stent for stent in self.stents if stent.role == role), None)


def layout(technique: str, facts: Facts, optimisation_length_mm: float) -> Layout:
    """Lay out the stents of a technique.

    Parameters
    ----------
    technique : str
        Technique id.
    facts : Facts
        Measurement and planning numbers.
    optimisation_length_mm : float
        Length of the shortest optimisation balloon that fits; NaN when there is none.
    """
    cover = proximal_cover(facts, optimisation_length_mm)
    main = StentSpan("main_stent", "distal", cover, daughter_cover(facts, "distal"), "tube", "proximal", "proximal")
    plan = facts.assumptions
    side_cover = daughter_cover(facts, "side")
    slant = slant_length(facts.reference("side"), *facts.measured.angles_deg["B"])

    def side(proximal: Mm, shape: Shape = "tube", must_reach: Literal["proximal", "side"] = "side") -> StentSpan:
        return StentSpan("side_stent", "side", proximal, side_cover, shape, must_reach, "daughter")

    if technique == "provisional":
        return Layout(technique, (main,), "side", "main_stent")
    if technique == "t":
        return Layout(technique, (side(exact(0.0)), main), "side", "main_stent")
    if technique == "t_and_protrusion":
        return Layout(technique, (main, side(slant, "standing")), "side", "main_stent")
    if technique in ("mini_crush", "double_kissing_crush"):
        protrusion = plan.mini_crush_protrusion_mm if technique == "mini_crush" else plan.double_kissing_protrusion_mm
        return Layout(technique, (side(exact(protrusion), "crushed"), main), "side", "main_stent")
    overlap = exact(plan.culotte_overlap_mm)
    if technique == "culotte_inverted":
        return Layout(technique, (main, side(overlap, must_reach="proximal")), "side", "main_stent")
    if technique == "culotte_classic":
        chance = side_more_angulated(facts)
        if chance >= 0.5 or math.isnan(chance):
            return Layout(technique, (side(overlap, must_reach="proximal"), main), "distal", "side_stent", chance)
        short = replace(main, proximal=overlap, takes_rest="daughter")
        long = replace(side(cover, must_reach="proximal"), takes_rest="proximal")
        return Layout(technique, (short, long), "side", "main_stent", chance)
    msg = f"technique: {technique!r} is none"
    raise ValueError(msg)


def proximal_cover(facts: Facts, optimisation_length_mm: float) -> Mm:
    """Stent length needed proximal to the carina: over the lesion, and at least as long as the optimisation balloon."""
    floor = exact(optimisation_length_mm) if math.isfinite(optimisation_length_mm) else UNKNOWN
    return larger(_lesion_cover(facts, "proximal"), floor)


def daughter_cover(facts: Facts, limb: str) -> Mm:
    """Stent length needed in a daughter."""
    return larger(exact(facts.assumptions.daughter_reach_mm), _lesion_cover(facts, limb))


def side_more_angulated(facts: Facts) -> float:
    """Probability that the side branch bends off the proximal main vessel more than the distal one.

    The daughter with the smaller angle to the proximal main vessel bends more: the side branch when A < C.
    """
    (a, a_sd), (c, c_sd) = facts.measured.angles_deg["A"], facts.measured.angles_deg["C"]
    return probability_below(a - c, math.hypot(a_sd, c_sd), 0.0)


@dataclass(frozen=True, slots=True)
class StrutSegment:
    """Struts between two positions of one limb.

    Parameters
    ----------
    from_mm, to_mm : float
        Positions from the carina outwards.
    layers : int
        Most layers on top of each other on the wall.
    layers_elsewhere : int
        Layers on the rest of the circumference.
    in_lumen : int
        Layers that stand free in the lumen.
    where : str
        Where the most layers are: ``whole circumference`` or ``wall on the side of the side branch``.
    stents : tuple of str
        Roles of the stents present.
    """

    from_mm: float
    to_mm: float
    layers: int
    layers_elsewhere: int
    in_lumen: int
    where: str
    stents: tuple[str, ...]


def strut_segments(spans: tuple[StentSpan, ...]) -> Mapping[str, tuple[StrutSegment, ...]]:
    """Count strut layers along every limb.

    Parameters
    ----------
    spans : tuple of StentSpan
        Stents as laid, with known lengths.

    Returns
    -------
    mapping
        Limb name to segments from the carina outwards; a limb without struts has none.
    """
    proximal = [(span, span.proximal.value) for span in spans if span.proximal.value > 0]
    cuts = sorted({0.0, *(end for _, end in proximal)})
    segments = []
    for start, end in pairwise(cuts):
        present = [span for span, reach in proximal if reach >= end]
        tubes = sum(span.shape == "tube" for span in present)
        crushed = CRUSHED_LAYERS * sum(span.shape == "crushed" for span in present)
        standing = sum(span.shape == "standing" for span in present)
        where = "wall on the side of the side branch" if crushed else "whole circumference"
        roles = tuple(span.role for span in present)
        segments.append(StrutSegment(start, end, tubes + crushed, tubes, standing, where, roles))
    limbs: dict[str, tuple[StrutSegment, ...]] = {"proximal": tuple(segments), "distal": (), "side": ()}
    for span in spans:
        if span.daughter.value > 0:
            one = StrutSegment(0.0, span.daughter.value, 1, 1, 0, "whole circumference", (span.role,))
            limbs[span.limb] = (*limbs[span.limb], one)
    return limbs


def most_layers(segments: Mapping[str, tuple[StrutSegment, ...]]) -> int:
    """Most layers on top of each other anywhere."""
    return max((segment.layers for limb in segments.values() for segment in limb), default=0)


def _lesion_cover(facts: Facts, limb: str) -> Mm:
    one = facts.measured.limbs[limb]
    if math.isnan(one.ds_percent):
        return UNKNOWN
    if not facts.covered(limb):
        return exact(0.0)
    return one.lesion_end + exact(facts.assumptions.landing_margin_mm)
