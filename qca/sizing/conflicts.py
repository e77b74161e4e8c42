"""What speaks against the devices that the user fixed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from qca.sizing.needs import ROLES
from qca.sizing.sizes import SizeRow
from qca.sizing.techniques import TechniqueAnswer
from qca.sizing.wording import outcome_text

_KISSING = ("kissing_main_balloon", "kissing_side_balloon")
_OPTIMISATION = ("optimisation_balloon", "final_optimisation_balloon")
_TWO_DEVICES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "kissing_ring_main": _KISSING,
        "kissing_ring_side": _KISSING,
        "optimisation_within_main": _OPTIMISATION,
        "optimisation_within_side": _OPTIMISATION,
    }
)
"""Rules that set balloons against a stent: a fixed balloon can be what speaks against the pair."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """A device that the user fixed and that does not do what it has to.

    ``surely`` is True where the numbers rule it out, False where they cannot decide.
    """

    role: str
    label: str
    text: str
    techniques: tuple[str, ...]
    surely: bool


def conflicts(sizes: tuple[SizeRow, ...], answers: tuple[TechniqueAnswer, ...]) -> tuple[Conflict, ...]:
    """Collect what speaks against fixed devices, the sure ones first, each once with its techniques."""
    found: dict[tuple[str, str, str, bool], list[str]] = {}
    fixed = {row.need.role: row.worked_with.device.label for row in sizes if row.fixed and row.worked_with}
    for row in sizes:
        if row.fixed and row.worked_with:
            sure = row.worked_with.verdict == "does_not_fit"
            # What a stent's diameter and limit do not allow the rules below say; no rule says it of a balloon.
            balloon = row.need.kind == "balloon"
            for problem in row.worked_with.problems if balloon else row.worked_with.length_problems:
                key = (row.need.role, row.worked_with.device.label, problem, sure)
                found.setdefault(key, []).extend(row.need.techniques)
    for result in answers:
        for one, _ in result.rules:
            if one.verdict == "fits":
                continue
            role = next((role for role in (one.role, *_TWO_DEVICES.get(one.rule.id, ())) if role in fixed), "")
            if role:
                key = (role, fixed[role], outcome_text(one), one.verdict == "does_not_fit")
                found.setdefault(key, []).append(result.technique.id)
    listed = [
        Conflict(role, label, text, tuple(dict.fromkeys(techniques)), sure)
        for (role, label, text, sure), techniques in found.items()
    ]
    order = list(ROLES)
    return tuple(sorted(listed, key=lambda one: (not one.surely, order.index(one.role))))
