"""The quantity behind each rule about a technique, computed with the devices of that technique."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calib.units import Mm
from qca.report.measured import probability_text
from qca.sizing.apposition import wall_gap
from qca.sizing.complexity import LesionAnswer
from qca.sizing.devices import Device
from qca.sizing.draws import chance
from qca.sizing.facts import Facts
from qca.sizing.kissing import kissing_pair
from qca.sizing.ostium import bent_slant_mm, slant_length
from qca.sizing.probability import probability_below, probability_between
from qca.sizing.propagation import UNKNOWN, exact
from qca.sizing.quantities import angle_b, grade, length
from qca.sizing.rules import Judgement, Quantity
from qca.sizing.sizes import Kit


@dataclass(frozen=True, slots=True)
class Attempt:
    """One technique on one case with its devices."""

    technique: str
    facts: Facts
    kit: Kit
    lesion: LesionAnswer

    def device(self, role: str) -> Device | None:
        """Give the device of a role; None when none is known."""
        return self.kit.devices.get(role)

    def balloon(self, role: str, limb: str) -> Mm:
        """Diameter of a balloon: its nominal size, or the limb's reference while no balloon is known."""
        device = self.device(role)
        return exact(device.nominal_mm) if device else self.facts.reference(limb)

    def judge(self, rule_id: str) -> Judgement:
        """Apply one rule of the table to this technique."""
        return self.facts.judge(rule_id, QUANTITIES[rule_id](self))


def _against(attempt: Attempt, role: str, number: str, value: Mm, name: str, *subjects: str) -> Quantity:
    """Compare a length with a number of a device of the table."""
    if subjects:
        subjects = (*subjects, "scale")
    device = attempt.device(role)
    if device is None:
        return Quantity(value.value, value.sd, attempt.kit.lacking(role), subjects=subjects)
    basis = float(getattr(device, number))
    missing = name if math.isnan(value.value) else (f"{number} of {device.label}" if math.isnan(basis) else "")
    note = "" if number == "length_mm" else _another(attempt, role, number, value.value, basis)
    return Quantity(value.value, value.sd, missing, basis, subjects=subjects, note=note, device=device.label, role=role)


def _unknown(number: str, *devices: Device) -> str:
    """Name the first device whose number is not in the table; empty where all are."""
    return next((f"{number} of {one.label}" for one in devices if math.isnan(getattr(one, number))), "")


def _another(attempt: Attempt, role: str, number: str, value: float, basis: float) -> str:
    """Name the next device of the table that could do what the one worked with cannot, and how right it is otherwise.

    Where two devices are about as good, a small change of a diameter makes the worksheet work with the other one, and
    a rule's answer with it: this says so beforehand.
    """
    if not value > basis:
        return ""
    for one in attempt.kit.others.get(role, ()):
        if getattr(one.device, number) >= value:
            return f"{one.device.label} could, and is right with {probability_text(one.probability)}"
    return ""


def _reach(role: str, limb: str) -> Callable[[Attempt], Quantity]:
    def quantity(attempt: Attempt) -> Quantity:
        value = attempt.facts.reference(limb)
        return _against(attempt, role, "expansion_limit_mm", value, f"{limb} RVD", limb)

    return quantity


def kissing_ring(attempt: Attempt) -> Mm:
    """Diameter of the circle as long as the ring around the kissing balloons; NaN while a diameter is unknown."""
    first = attempt.balloon("kissing_main_balloon", "distal")
    second = attempt.balloon("kissing_side_balloon", "side")
    if not (first.value > 0 and second.value > 0):
        return UNKNOWN
    return kissing_pair(first, second).perimeter_equivalent


def _ring(role: str) -> Callable[[Attempt], Quantity]:
    def quantity(attempt: Attempt) -> Quantity:
        value = kissing_ring(attempt)
        roles = {"distal": "kissing_main_balloon", "side": "kissing_side_balloon"}
        measured = [limb for limb, balloon in roles.items() if attempt.device(balloon) is None]
        return _against(attempt, role, "expansion_limit_mm", value, "kissing balloons", *measured)

    return quantity


def _ratio(role: str, limb: str, end: str) -> Callable[[Attempt], Quantity]:
    """Set a stent's nominal diameter against its limb; the probability is that of the limb's diameter."""

    def quantity(attempt: Attempt) -> Quantity:
        subjects = (limb, "scale")
        device, reference = attempt.device(role), attempt.facts.reference(limb)
        if device is None:
            return Quantity(missing=attempt.kit.lacking(role), subjects=subjects)
        if math.isnan(reference.value):
            return Quantity(missing=f"{limb} RVD", subjects=subjects)
        if missing := _unknown("nominal_mm", device):
            return Quantity(missing=missing, subjects=subjects, device=device.label, role=role)
        ratio = device.nominal_mm / reference.value
        edge = device.nominal_mm / attempt.facts.rules[f"{role}_ratio_{end}"].threshold
        below = probability_below(reference.value, reference.sd, edge, or_equal=end == "low")
        probability = below if end == "low" else 1.0 - below
        sd = ratio * reference.sd / reference.value
        return Quantity(ratio, sd, probability=probability, subjects=subjects, device=device.label, role=role)

    return quantity


def _cell(attempt: Attempt) -> Quantity:
    plan = attempt.kit.layout
    value = attempt.facts.reference(plan.entered)
    return _against(attempt, plan.crossed, "cell_opening_mm", value, f"{plan.entered} RVD", plan.entered)


def _second_cell(attempt: Attempt) -> Quantity:
    """Set the limb of the first stent, which the second one crosses, against the second stent's cell."""
    first, second = attempt.kit.layout.stents
    value = attempt.facts.reference(first.limb)
    return _against(attempt, second.role, "cell_opening_mm", value, f"{first.limb} RVD", first.limb)


def _optimisation_within(stent: str) -> Callable[[Attempt], Quantity]:
    """Set the larger of the two optimisation balloons, at nominal size, against a stent that it opens."""

    def quantity(attempt: Attempt) -> Quantity:
        roles = ("optimisation_balloon", "final_optimisation_balloon")
        balloons = [device for role in roles if (device := attempt.device(role)) is not None]
        if not balloons:
            return Quantity(missing=attempt.kit.lacking(roles[0]), subjects=("proximal",))
        if missing := _unknown("nominal_mm", *balloons):
            return Quantity(missing=missing, subjects=("proximal",))
        value = exact(max(device.nominal_mm for device in balloons))
        return _against(attempt, stent, "expansion_limit_mm", value, "optimisation balloon")

    return quantity


def _proximal_length(attempt: Attempt) -> Quantity:
    """Length proximal to the carina of the stent that covers the proximal main vessel, as laid."""
    plan = attempt.kit.layout
    span = next(stent for stent in plan.stents if stent.takes_rest == "proximal")
    device = attempt.device(span.role)
    if device is None:
        return Quantity(missing=attempt.kit.lacking(span.role), subjects=("distal",))
    if missing := _unknown("length_mm", device):
        return Quantity(missing=missing, subjects=("distal",), device=device.label, role=span.role)
    # The distal end is put where the daughter needs it; what is left lies proximal to the carina.
    value = exact(device.length_mm) - span.daughter
    return _against(attempt, "optimisation_balloon", "length_mm", value, "lesion limits", span.limb)


def _gap_distal(attempt: Attempt) -> Quantity:
    device = attempt.device("main_stent")
    if device is None:
        return Quantity(missing=attempt.kit.lacking("main_stent"), subjects=("distal",))
    if missing := _unknown("nominal_mm", device):
        return Quantity(missing=missing, subjects=("distal",), device=device.label, role="main_stent")
    gap = wall_gap(attempt.facts.reference("distal"), exact(device.nominal_mm))
    return length(gap, "distal RVD", "distal")


def _gap_proximal(attempt: Attempt) -> Quantity:
    device = attempt.device("optimisation_balloon")
    if device is None:
        return Quantity(missing=attempt.kit.lacking("optimisation_balloon"), subjects=("proximal",))
    if missing := _unknown("nominal_mm", device):
        return Quantity(missing=missing, subjects=("proximal",), device=device.label, role="optimisation_balloon")
    gap = wall_gap(attempt.facts.reference("proximal"), exact(device.nominal_mm))
    return length(gap, "proximal RVD", "proximal")


def _slant(rule_id: str) -> Callable[[Attempt], Quantity]:
    """Bare ostium of a T stent, or new carina of T and protrusion: the same length, seen from the two sides.

    The absolute value has a corner at 90 degrees, so the probability is sampled, the view's error included.
    """

    def quantity(attempt: Attempt) -> Quantity:
        facts = attempt.facts
        value = slant_length(facts.reference("side"), *facts.measured.angles_deg["B"])
        if math.isnan(value.value):
            return Quantity(missing="angle B or side branch RVD", subjects=("side", "angles", "scale"))
        draws = facts.draws
        with np.errstate(divide="ignore", invalid="ignore"):
            sampled = draws.reference_mm["side"] * np.abs(1.0 / np.tan(np.radians(draws.angle_b_deg)))
        limit = facts.rules[rule_id].threshold
        probability = chance(sampled <= limit, draws.reference_mm["side"], draws.angle_b_deg)
        angles = facts.measured.angles_deg
        proximal, distal, side = (facts.reference(name) for name in ("proximal", "distal", "side"))
        bent = abs(bent_slant_mm(proximal, distal, side, angles["A"][0], angles["B"][0]))
        note = "" if math.isnan(bent) else f"{bent:.1f} mm with the main vessel's bend"
        doubt = "the main vessel's bend decides" if note and (bent <= limit) != (value.value <= limit) else ""
        subjects = ("side", "angles", "scale")
        return Quantity(value.value, value.sd, probability=probability, subjects=subjects, note=note, doubt=doubt)

    return quantity


def _side_ratio(attempt: Attempt) -> Quantity:
    value, sd = attempt.facts.reference("side").ratio(attempt.facts.reference("distal"))
    return Quantity(value, sd, "two RVDs" if math.isnan(value) else "", subjects=("side", "distal"))


def _mismatch(attempt: Attempt) -> Quantity:
    """Absolute difference of the daughters; its probability is a difference of two normal distributions."""
    difference = attempt.facts.reference("distal") - attempt.facts.reference("side")
    limit = attempt.facts.rules["culotte_mismatch"].threshold
    probability = probability_between(difference.value, difference.sd, -limit, limit)
    missing = "two RVDs" if math.isnan(difference.value) else ""
    return Quantity(
        abs(difference.value), difference.sd, missing, probability=probability, subjects=("distal", "side", "scale")
    )


_POSSIBLE = {
    "main": ("provisional", "t", "t_and_protrusion", "culotte_inverted"),
    "side": ("t", "mini_crush", "double_kissing_crush"),
}
"""Where the first stent lies, and the techniques that begin so (T also as bail-out of a provisional start). Classic
culotte begins in the more angulated daughter."""


def _phase(attempt: Attempt) -> Quantity:
    case = attempt.facts.case
    phase = case.phase or "before"
    if phase == "before":
        return Quantity(1.0)
    if phase == "after_first_stent":
        if case.first_stent is None:
            return Quantity(missing="case: first_stent")
        if attempt.technique == "culotte_classic":
            return Quantity(float(attempt.kit.layout.stents[0].role == f"{case.first_stent}_stent"))
        return Quantity(float(attempt.technique in _POSSIBLE[case.first_stent]))
    if case.technique is None:
        return Quantity(missing="case: technique (the stents are in)")
    return Quantity(float(attempt.technique == case.technique))


QUANTITIES: Mapping[str, Callable[[Attempt], Quantity]] = MappingProxyType(
    {
        "phase": _phase,
        "side_access_first": lambda attempt: grade(attempt.facts, "side_access"),
        "side_access_through": lambda attempt: grade(attempt.facts, "side_access"),
        "not_complex": lambda attempt: attempt.lesion.complex_lesion,
        "reason_for_two": lambda attempt: attempt.lesion.reasons,
        "main_reaches_proximal": _reach("main_stent", "proximal"),
        "side_reaches_proximal": _reach("side_stent", "proximal"),
        "side_reaches_side": _reach("side_stent", "side"),
        "main_stent_ratio_low": _ratio("main_stent", "distal", "low"),
        "main_stent_ratio_high": _ratio("main_stent", "distal", "high"),
        "side_stent_ratio_low": _ratio("side_stent", "side", "low"),
        "side_stent_ratio_high": _ratio("side_stent", "side", "high"),
        "kissing_ring_main": _ring("main_stent"),
        "kissing_ring_side": _ring("side_stent"),
        "cell_opening": _cell,
        "second_cell_opening": _second_cell,
        "optimisation_within_main": _optimisation_within("main_stent"),
        "optimisation_within_side": _optimisation_within("side_stent"),
        "proximal_length": _proximal_length,
        "gap_distal": _gap_distal,
        "gap_proximal": _gap_proximal,
        "t_angle": lambda attempt: angle_b(attempt.facts),
        "t_bare_length": _slant("t_bare_length"),
        "protrusion_angle": lambda attempt: angle_b(attempt.facts),
        "new_carina_length": _slant("new_carina_length"),
        "crush_angle": lambda attempt: angle_b(attempt.facts),
        "crush_side_ratio": _side_ratio,
        "culotte_angle": lambda attempt: angle_b(attempt.facts),
        "culotte_mismatch": _mismatch,
    }
)
"""Rule id to the function that computes its quantity for one technique."""
