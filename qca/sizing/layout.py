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
from qca.sizing.ostium import ostium, slant_length
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
        How far from the carina its part in the proximal main vessel reaches.
    daughter : Mm
        How far from the carina it reaches into the daughter.
    length : Mm
        Its length.
    shape : str
        Its part in the proximal main vessel: an open ``tube``, ``crushed`` against the side branch's wall, or
        ``standing`` free in the lumen as a new carina.
    must_reach : str
        The limb whose reference its diameter must be able to reach.
    takes_rest : str
        ``"proximal"`` or ``"daughter"``: where the rest of a stent goes that is longer than needed.
    proximal_from_mm : float
        Where its part in the proximal main vessel begins: behind the mouth for a crushed stent, else at the carina.
    """

    role: StentRole
    limb: Literal["distal", "side"]
    proximal: Mm
    daughter: Mm
    length: Mm
    shape: Shape
    must_reach: Literal["proximal", "side"]
    takes_rest: Literal["proximal", "daughter"]
    proximal_from_mm: float = 0.0

    def with_length(self, length_mm: float) -> StentSpan:
        """Lay a stent of an actual length: the rest goes where the technique puts it, a lack is taken there.

        One whose length is not known (NaN) is laid over what it must cover, as long as no device is known.
        """
        if math.isnan(length_mm):
            return self
        rest = length_mm - self.length.value
        if self.takes_rest == "proximal":
            return replace(self, length=exact(length_mm), proximal=exact(max(0.0, self.proximal.value + rest)))
        return replace(self, length=exact(length_mm), daughter=exact(max(0.0, self.daughter.value + rest)))


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
    in_distal, in_side = daughter_cover(facts, "distal"), daughter_cover(facts, "side")
    main = StentSpan("main_stent", "distal", cover, in_distal, cover + in_distal, "tube", "proximal", "proximal")
    plan = facts.assumptions
    if technique == "provisional":
        return Layout(technique, (main,), "side", "main_stent")
    if technique == "t":
        side = StentSpan("side_stent", "side", exact(0.0), in_side, in_side, "tube", "side", "daughter")
        # Upfront the side stent goes first; after a provisional start it comes second, through the main stent's cell.
        order = (main, side) if facts.case.first_stent == "main" else (side, main)
        return Layout(technique, order, "side", "main_stent")
    angle, angle_sd = facts.measured.angles_deg["B"]
    slant = slant_length(facts.reference("side"), angle, angle_sd)
    mouth = mouth_length(facts)
    if technique == "t_and_protrusion":
        standing = slant.times(abs(math.cos(math.radians(angle))))
        side = StentSpan("side_stent", "side", standing, in_side, in_side + slant, "standing", "side", "daughter")
        return Layout(technique, (main, side), "side", "main_stent")
    if technique in ("mini_crush", "double_kissing_crush"):
        flat = exact(plan.mini_crush_protrusion_mm if technique == "mini_crush" else plan.double_kissing_protrusion_mm)
        side = StentSpan("side_stent", "side", mouth + flat, in_side, in_side + slant + flat, "crushed", "side",
                         "daughter", mouth.value)  # fmt: skip
        return Layout(technique, (side, main), "side", "main_stent")
    short = mouth + exact(plan.culotte_overlap_mm)
    side = StentSpan("side_stent", "side", short, in_side, short + in_side, "tube", "proximal", "daughter")
    if technique == "culotte_inverted":
        return Layout(technique, (main, side), "side", "main_stent")
    if technique == "culotte_classic":
        chance = side_more_angulated(facts)
        # A first stent that lies in the side branch already is a fact, whatever the angles say.
        if chance >= 0.5 or math.isnan(chance) or facts.case.first_stent == "side":
            return Layout(technique, (side, main), "distal", "side_stent", chance)
        first = replace(main, proximal=short, length=short + in_distal, takes_rest="daughter")
        second = replace(side, proximal=cover, length=cover + in_side, takes_rest="proximal")
        return Layout(technique, (first, second), "side", "main_stent", chance)
    msg = f"technique: {technique!r} is none"
    raise ValueError(msg)


def mouth_length(facts: Facts) -> Mm:
    """Length of the side branch's mouth along the main vessel, ``S / sin B``, measured from the carina."""
    side, (angle, angle_sd) = facts.reference("side"), facts.measured.angles_deg["B"]
    long_axis = ostium(side, angle).long_axis
    bend = math.radians(angle)
    by_angle = side.value * math.cos(bend) / math.sin(bend) ** 2 * math.radians(angle_sd)
    ratio = long_axis / side.value
    return Mm(long_axis, math.hypot(ratio * side.sd_random, by_angle), ratio * side.sd_scale)


def proximal_cover(facts: Facts, optimisation_length_mm: float) -> Mm:
    """Stent length needed proximal to the carina: over the lesion, and at least as long as the optimisation balloon."""
    floor = exact(optimisation_length_mm) if math.isfinite(optimisation_length_mm) else UNKNOWN
    return larger(_lesion_cover(facts, "proximal"), floor)


def daughter_cover(facts: Facts, limb: str) -> Mm:
    """Stent length needed in a daughter."""
    return larger(exact(facts.assumptions.daughter_reach_mm), _lesion_cover(facts, limb))


def side_more_angulated(facts: Facts) -> float:
    """Probability that the side branch bends off the proximal main vessel more than the distal one.

    The daughter with the smaller angle to the proximal main vessel bends more: the side branch when A < C. The
    difference is read in one view and carries the view's band.
    """
    (a, a_sd), (c, c_sd) = facts.measured.angles_deg["A"], facts.measured.angles_deg["C"]
    return probability_below(a - c, math.hypot(a_sd, c_sd), 0.0, band=facts.assumptions.view_band_deg)


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
        Limb name to segments from the carina outwards; a limb without struts has none. Where a length is not known
        the first proximal segment has NaN positions and counts every stent that lies there.
    """
    present_in = [span for span in spans if span.proximal.value > span.proximal_from_mm]
    cuts = sorted({0.0, *(cut for span in present_in for cut in (span.proximal_from_mm, span.proximal.value))})
    segments = _unmeasured(spans)
    for start, end in pairwise(cuts):
        present = [span for span in present_in if span.proximal_from_mm <= start and span.proximal.value >= end]
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


def _unmeasured(spans: tuple[StentSpan, ...]) -> list[StrutSegment]:
    """Count the layers where stents lie upon each other over a length that is not known, such as without an angle."""
    if all(math.isfinite(span.proximal.value) for span in spans):
        return []
    present = [span for span in spans if not span.proximal.value <= 0]
    tubes = sum(span.shape == "tube" for span in present)
    crushed = CRUSHED_LAYERS * sum(span.shape == "crushed" for span in present)
    standing = sum(span.shape == "standing" for span in present)
    where = "wall on the side of the side branch" if crushed else "whole circumference"
    roles = tuple(span.role for span in present)
    return [StrutSegment(math.nan, math.nan, tubes + crushed, tubes, standing, where, roles)]


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
