"""What each role of each technique asks of a device: target diameter, the largest diameter to reach, length."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from calib.units import Mm
from qca.sizing.facts import Facts
from qca.sizing.layout import Layout
from qca.sizing.propagation import UNKNOWN

ROLES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "main_stent": ("stent", "main stent"),
        "side_stent": ("stent", "side stent"),
        "optimisation_balloon": ("balloon", "proximal optimisation balloon"),
        "side_cell_balloon": ("balloon", "balloon that opens the cell"),
        "kissing_main_balloon": ("balloon", "kissing balloon, distal main vessel"),
        "kissing_side_balloon": ("balloon", "kissing balloon, side branch"),
        "final_optimisation_balloon": ("balloon", "final optimisation balloon"),
    }
)
"""Role to (kind of device, name for people)."""

_TARGETS = {
    "main_stent": ("distal", "1:1 to the distal main vessel"),
    "side_stent": ("side", "1:1 to the side branch"),
    "optimisation_balloon": ("proximal", "1:1 to the proximal main vessel"),
    "kissing_main_balloon": ("distal", "1:1 to the distal main vessel, non-compliant, short overlap"),
    "kissing_side_balloon": ("side", "1:1 to the side branch, non-compliant, short overlap"),
    "final_optimisation_balloon": ("proximal", "1:1 to the proximal main vessel"),
}

_SIZING_SOURCE = (
    "European Bifurcation Club consensus documents; kissing balloons: Murasato Y et al., EuroIntervention "
    "2014;10:934-941"
)


@dataclass(frozen=True, slots=True)
class Need:
    """What one role asks of a device, for the techniques that ask the same.

    ``must_reach`` is the largest diameter it has to be brought to; ``length`` the stent length needed (NaN for
    balloons, whose length is the operator's).
    """

    role: str
    kind: str
    techniques: tuple[str, ...]
    limb: str
    target: Mm
    must_reach: Mm
    length: Mm
    rule: str
    source: str


def needs_of(plan: Layout, facts: Facts) -> list[Need]:
    """List the needs of one technique."""
    technique = (plan.technique,)
    needs = []
    for span in plan.stents:
        limb, rule = _TARGETS[span.role]
        needs.append(
            Need(
                span.role,
                "stent",
                technique,
                limb,
                facts.reference(limb),
                facts.reference(span.must_reach),
                span.length,
                f"{rule}; must be able to reach the {LIMB_NAMES[span.must_reach]}",
                _SIZING_SOURCE,
            )
        )
    needs.append(proximal_need(facts, "optimisation_balloon", technique))
    needs.append(
        _balloon(facts, "side_cell_balloon", technique, plan.entered, f"1:1 to the {LIMB_NAMES[plan.entered]}")
    )
    kissing = ("kissing_main_balloon", "kissing_side_balloon")
    needs += [_balloon(facts, role, technique, *_TARGETS[role]) for role in kissing]
    needs.append(proximal_need(facts, "final_optimisation_balloon", technique))
    return needs


LIMB_NAMES = {"proximal": "proximal main vessel", "distal": "distal main vessel", "side": "side branch"}


def proximal_need(facts: Facts, role: str, techniques: tuple[str, ...]) -> Need:
    """Ask for a balloon of the proximal reference's size."""
    return _balloon(facts, role, techniques, *_TARGETS[role])


def _balloon(facts: Facts, role: str, techniques: tuple[str, ...], limb: str, rule: str) -> Need:
    target = facts.reference(limb)
    return Need(role, "balloon", techniques, limb, target, target, UNKNOWN, rule, _SIZING_SOURCE)


def reach_rule(need: Need) -> str:
    """Name the rule that sets how much of a stent's expansion limit may be used."""
    if need.role == "main_stent":
        return "main_reaches_proximal"
    return "side_reaches_side" if need.must_reach == need.target else "side_reaches_proximal"


def ratio_rules(need: Need) -> str:
    """Name the pair of rules, without ``_low`` and ``_high``, that bound a device's size over its target."""
    return f"{need.role}_ratio" if need.kind == "stent" else "balloon_ratio"
