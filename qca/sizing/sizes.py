"""Which devices of the user's table fit each role, how well, and with which one everything else is computed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from qca.errors import InputError
from qca.sizing.case import TECHNIQUE_IDS
from qca.sizing.devices import Device, DeviceTable
from qca.sizing.facts import Facts
from qca.sizing.layout import Layout, layout
from qca.sizing.needs import ROLES, Need, needs_of, proximal_need, ratio_rules, reach_rule
from qca.sizing.probability import probability_below, probability_between
from qca.sizing.rules import Verdict, decide
from qca.sizing.wording import told_apart


@dataclass(frozen=True, slots=True)
class DeviceFit:
    """One device of the table against one need.

    Parameters
    ----------
    device : Device
        The device.
    ratio, ratio_sd : float
        Nominal diameter over target.
    expansion_used : float
        Diameter it must reach over its limit; NaN when the limit is unknown.
    probability : float
        The smallest of the probabilities that size, expansion and length are right; NaN when a number of the device is
        unknown that one of them needs.
    verdict : str
        From that probability.
    rule_problems, length_problems : tuple of str
        What is wrong with its diameter or expansion limit (rules say the same), and with its length, in words.
    """

    device: Device
    ratio: float
    ratio_sd: float
    expansion_used: float
    probability: float
    verdict: Verdict
    rule_problems: tuple[str, ...]
    length_problems: tuple[str, ...]

    @property
    def problems(self) -> tuple[str, ...]:
        """Everything that is wrong or unknown."""
        return (*self.rule_problems, *self.length_problems)


@dataclass(frozen=True, slots=True)
class SizeRow:
    """A need, the devices of the table that come into question, and the one that everything else is computed with.

    That one is the best of the table or the one the user fixed, even where it does not fit: the rules then say so.
    """

    need: Need
    fits: tuple[DeviceFit, ...]
    worked_with: DeviceFit | None
    fixed: bool


@dataclass(frozen=True, slots=True)
class Kit:
    """The devices one technique is computed with, by role; None = no device known.

    ``others`` are the further devices of the table that come into question, best first; none where the user fixed one.
    """

    devices: Mapping[str, Device | None]
    layout: Layout
    has_table: bool
    others: Mapping[str, tuple[DeviceFit, ...]]

    def lacking(self, role: str) -> str:
        """Say what is missing for a role without device."""
        name = ROLES[role][1]
        return f"a fitting {name} in the device table" if self.has_table else f"device table ({name})"


def size_rows(facts: Facts, table: DeviceTable, fixed: Mapping[str, str]) -> tuple[tuple[SizeRow, ...], dict[str, Kit]]:
    """Find targets and fitting devices for every role of every technique.

    Parameters
    ----------
    facts : Facts
        Measurement and planning numbers.
    table : DeviceTable
        The user's devices; an empty one gives targets only.
    fixed : mapping
        Role to label: devices that the user fixed.

    Returns
    -------
    tuple
        The rows, and the devices and layout of each technique.

    Raises
    ------
    InputError
        If a fixed role or label does not exist or is of the wrong kind.
    """
    chosen = fixed_devices(table, fixed)
    balloon = _best(proximal_need(facts, "optimisation_balloon", TECHNIQUE_IDS), facts, table, chosen)
    balloon_length = balloon.device.length_mm if balloon else math.nan
    layouts = {technique: layout(technique, facts, balloon_length) for technique in TECHNIQUE_IDS}
    needs: dict[tuple[object, ...], Need] = {}
    for plan in layouts.values():
        for need in needs_of(plan, facts):
            key = (need.role, need.limb, need.must_reach, need.length)
            earlier = needs.get(key)
            needs[key] = need if earlier is None else replace(
                earlier, techniques=(*earlier.techniques, *need.techniques)
            )  # fmt: skip
    order = list(ROLES)
    rows = tuple(
        _row(need, facts, table, chosen) for need in sorted(needs.values(), key=lambda need: order.index(need.role))
    )
    kits = {
        technique: Kit(
            MappingProxyType(
                {
                    row.need.role: row.worked_with.device if row.worked_with else None
                    for row in rows
                    if technique in row.need.techniques
                }
            ),
            plan,
            bool(table.devices),
            MappingProxyType(
                {row.need.role: row.fits[1:] for row in rows if technique in row.need.techniques and not row.fixed}
            ),
        )
        for technique, plan in layouts.items()
    }
    return rows, kits


def fixed_devices(table: DeviceTable, fixed: Mapping[str, str]) -> dict[str, Device]:
    """Look up the devices that the user fixed.

    Raises
    ------
    InputError
        If a role or label does not exist or a stent is named for a balloon's role.
    """
    chosen = {}
    for role, label in fixed.items():
        if role not in ROLES:
            msg = f"There is no role {role!r}: the roles are {', '.join(ROLES)}."
            raise InputError(msg)
        device = table.devices.get(label)
        if device is None:
            where = table.name or "the device table (none was given)"
            msg = f"{role}={label}: {label!r} is not in {where}; add it there or use a label that is."
            raise InputError(msg)
        if device.kind != ROLES[role][0]:
            msg = f"{role}={label}: {label!r} is a {device.kind}; this role takes a {ROLES[role][0]}."
            raise InputError(msg)
        chosen[role] = device
    return chosen


def fit(need: Need, device: Device, facts: Facts) -> DeviceFit:
    """Judge one device for one need.

    Notes
    -----
    The ratio's window ``low <= nominal / reference <= high`` is ``nominal/high <= reference <= nominal/low``, whose
    probability is a difference of two normal distributions.
    """
    low, high = (facts.rules[f"{ratio_rules(need)}_{end}"].threshold for end in ("low", "high"))
    target = need.target
    ratio = device.nominal_mm / target.value
    in_window = probability_between(target.value, target.sd, device.nominal_mm / high, device.nominal_mm / low)
    chances = [in_window]
    rule_problems, length_problems = [], []
    if math.isnan(device.nominal_mm):
        rule_problems.append("nominal diameter not in the table")
    elif math.isnan(ratio):
        rule_problems.append("size cannot be told, target not known")
    elif not low <= ratio <= high:
        rule_problems.append(f"ratio {told_apart(ratio, 3, low, high)} outside {low:g} to {high:g}")
    used = need.must_reach.value / device.expansion_limit_mm
    if need.kind == "stent":
        factor = facts.rules[reach_rule(need)].threshold
        limit = factor * device.expansion_limit_mm
        chances.append(probability_below(need.must_reach.value, need.must_reach.sd, limit))
        if math.isnan(limit):
            rule_problems.append("expansion limit not in the table")
        elif need.must_reach.value > limit:
            reach = need.must_reach.value
            rule_problems.append(f"must reach {told_apart(reach, 2, limit)} mm, limit {told_apart(limit, 2, reach)} mm")
    if (need.kind == "stent" or need.role == "optimisation_balloon") and math.isnan(device.length_mm):
        length_problems.append("length not in the table")
        chances.append(math.nan)
    if need.kind == "stent":
        chances.append(probability_below(need.length.value, need.length.sd, device.length_mm))
        if need.length.value > device.length_mm:
            length_problems.append(f"{told_apart(need.length.value - device.length_mm, 1, 0)} mm shorter than needed")
    known = min(chance for chance in chances if math.isfinite(chance)) if math.isfinite(in_window) else math.nan
    # An unknown limit leaves it open, unless something known rules the device out already.
    sure = facts.assumptions.sure_probability
    unknown = any(math.isnan(chance) for chance in chances) and decide(known, sure) != "does_not_fit"
    worst = math.nan if unknown else known
    return DeviceFit(
        device,
        ratio,
        ratio * target.sd / target.value,
        used,
        worst,
        decide(worst, sure),
        tuple(rule_problems),
        tuple(length_problems),
    )


def _row(need: Need, facts: Facts, table: DeviceTable, chosen: Mapping[str, Device]) -> SizeRow:
    ranked = _ranked(need, facts, table)
    device = chosen.get(need.role)
    if device is not None:
        fixed = fit(need, device, facts)
        return SizeRow(need, (fixed, *(one for one in ranked if one.device != device)), fixed, fixed=True)
    return SizeRow(need, ranked, ranked[0] if ranked else None, fixed=False)


def _best(need: Need, facts: Facts, table: DeviceTable, chosen: Mapping[str, Device]) -> DeviceFit | None:
    return _row(need, facts, table, chosen).worked_with


_WORTH_SHOWING = 0.001
"""A device whose size is right with less probability than this does not come into question."""


def _ranked(need: Need, facts: Facts, table: DeviceTable) -> tuple[DeviceFit, ...]:
    """Devices that come into question, best first: the one whose weakest check is the strongest.

    Ranking by the weakest check keeps the choice from jumping: where two devices change places they are equally good.
    One whose nominal diameter is unknown never does. A device with another number unknown ranks behind all that may
    fit, before those that surely do not.
    Equal ones are ordered by the number of their problems, a ratio near 1, then the shortest, then the label.
    """
    if math.isnan(need.target.value):
        return ()
    low, high = (facts.rules[f"{ratio_rules(need)}_{end}"].threshold for end in ("low", "high"))
    fits = []
    for device in table.of_kind(need.kind):
        one = fit(need, device, facts)
        in_window = low <= one.ratio <= high
        sd = need.target.sd
        near = probability_between(need.target.value, sd, device.nominal_mm / high, device.nominal_mm / low)
        if in_window or near >= _WORTH_SHOWING:
            fits.append(one)

    def rank(one: DeviceFit) -> tuple[float, int, float, float, str]:
        fails = 1.0 - facts.assumptions.sure_probability
        score = one.probability if math.isfinite(one.probability) else fails
        return (
            -score if score >= fails else 0.0,
            len(one.problems),
            abs(one.ratio - 1.0),
            one.device.length_mm if math.isfinite(one.device.length_mm) else math.inf,
            one.device.label,
        )

    return tuple(sorted(fits, key=rank))
