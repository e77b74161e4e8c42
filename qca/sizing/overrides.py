"""The user's own thresholds: an override file that the worksheet records."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from qca.sizing.assumptions import DEFAULT_ASSUMPTIONS, Assumptions
from qca.sizing.refusal import nearest, refuse
from qca.sizing.rule_table import RULES
from qca.sizing.rules import Rule


@dataclass(frozen=True, slots=True)
class Overrides:
    """Thresholds by rule id and planning numbers by name that replace the table's."""

    thresholds: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    plan: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    name: str = ""

    def rules(self) -> Mapping[str, Rule]:
        """Build the rule table with the overrides in it; a changed row says so in its source."""
        table = dict(RULES)
        for rule_id, threshold in self.thresholds.items():
            rule = RULES[rule_id]
            source = f"set by {self.name or 'the user'}; the table says {rule.threshold:g} ({rule.source})"
            table[rule_id] = dataclasses.replace(rule, threshold=threshold, source=source)
        return MappingProxyType(table)

    def assumptions(self) -> Assumptions:
        """Build the planning numbers with the overrides in them."""
        return dataclasses.replace(DEFAULT_ASSUMPTIONS, **self.plan)


NO_OVERRIDES = Overrides()
"""The table as it is."""


def parse_overrides(text: str, *, name: str = "rules") -> Overrides:
    """Read an override file.

    Parameters
    ----------
    text : str
        TOML with a part ``[thresholds]`` (rule id = number) and a part ``[plan]`` (planning number = number).
    name : str
        What to call the file in a message.

    Raises
    ------
    InputError
        If a rule id or planning number is unknown or its value is no number it can have.
    """
    try:
        document = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        refuse(name, f"cannot be read as TOML: {error}")
    for part, content in document.items():
        if part not in ("thresholds", "plan") or not isinstance(content, dict):
            refuse(name, f"{part!r} is not known; the parts are [thresholds] and [plan]")
    thresholds = document.get("thresholds", {})
    plan = document.get("plan", {})
    fields = {item.name: item.metadata["range"] for item in dataclasses.fields(Assumptions)}
    _check_ids(name, "rule", thresholds, RULES)
    _check_ids(name, "planning number", plan, fields)
    numbers = {key: _number(name, f"thresholds.{key}", value, -1e6, 1e6) for key, value in thresholds.items()}
    lengths = {key: _number(name, f"plan.{key}", value, *fields[key]) for key, value in plan.items()}
    overrides = Overrides(MappingProxyType(numbers), MappingProxyType(lengths), name)
    rules = overrides.rules()
    for kind in ("main_stent", "side_stent", "balloon"):
        low, high = (rules[f"{kind}_ratio_{end}"].threshold for end in ("low", "high"))
        if not 0 < low < high:
            refuse(name, f"{kind}_ratio_low = {low:g} must be above 0 and below {kind}_ratio_high = {high:g}")
    return overrides


def _check_ids(name: str, what: str, found: Iterable[str], known: Mapping[str, object]) -> None:
    for key in found:
        if key not in known:
            refuse(name, f"there is no {what} {key!r}; {nearest(key, known)}")


def _number(name: str, key: str, value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        refuse(name, f"{key} = {value!r} is not a number")
    if not low <= value <= high:
        refuse(name, f"{key} = {value!r} is outside {low:g} to {high:g}")
    return float(value)
