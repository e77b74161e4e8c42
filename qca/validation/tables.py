"""Tables of the validation: rows of text, for HTML, Markdown and the terminal alike."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from qca.validation.run import Results
from qca.validation.strata import BREAKDOWNS, by_quantity, plain_part, split
from qca.validation.summary import Summary, summarise
from qca.validation.value import METHODS, Quantity, Value

NAMES: Mapping[Quantity, tuple[str, str, int]] = {
    "mld_mm": ("MLD", "mm", 3),
    "mld_scale_apart_mm": ("MLD, scale error apart", "mm", 3),
    "reference_mm": ("reference diameter", "mm", 3),
    "reference_scale_apart_mm": ("reference diameter, scale error apart", "mm", 3),
    "ds_percent": ("DS", "points", 2),
    "lesion_length_mm": ("lesion length, scale error apart", "mm", 2),
    "angle_a_deg": ("angle A", "degrees", 2),
    "angle_b_deg": ("angle B", "degrees", 2),
    "angle_c_deg": ("angle C", "degrees", 2),
    "scale_percent": ("scale", "%", 2),
    "medina_digit": ("Medina digit", "", 2),
}
"""Name, unit and decimals of each quantity."""

HEAD = (
    "",
    "n",
    "bias",
    "SD",
    "95 % limits",
    "largest error",
    "slope",
    "intercept",
    "coverage of 95 % intervals",
    "SD / bound",
)
"""Columns of a statistics table."""


_BY_TRUTH = ("diameter", "stenosis")
"""Breakdowns within which the truth varies too little for a line."""


@dataclass(frozen=True, slots=True)
class Table:
    """A title, a head and rows of text; the first column is the label."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def number(value: float, decimals: int, *, sign: bool = False) -> str:
    """Write a number, or a dash where it is not known."""
    if not math.isfinite(value):
        return "-"
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    return text if float(text) != 0 else text.lstrip("+-")


def statistics_row(label: str, found: Summary, quantity: Quantity, *, line: bool = True) -> tuple[str, ...]:
    """Write one row under `HEAD`; ``line`` False leaves slope and intercept out, where the truth hardly varies."""
    _, _, decimals = NAMES[quantity]
    if not found.sd >= 0:
        return (label, str(found.n), *["-"] * (len(HEAD) - 2))
    coverage = number(found.coverage, 1)
    if math.isfinite(found.coverage):
        coverage += f" ({found.coverage_low:.0f}-{found.coverage_high:.0f}) %"
    count = str(found.n) if not found.missing else f"{found.n} (+{found.missing} not known)"
    return (
        label,
        count,
        number(found.bias, decimals, sign=True),
        number(found.sd, decimals),
        f"{number(found.low, decimals, sign=True)} to {number(found.high, decimals, sign=True)}",
        number(found.worst, decimals),
        number(found.slope, 3) if line else "-",
        number(found.intercept, decimals, sign=True) if line else "-",
        coverage,
        number(found.efficiency, 2),
    )


def overview(values: Sequence[Value]) -> tuple[Table, ...]:
    """One table per method, one row per quantity."""
    out = []
    for method in METHODS:
        groups = by_quantity(values, method)
        rows = []
        for quantity, (name, unit, _) in NAMES.items():
            if quantity in groups and quantity != "medina_digit":
                rows.append(statistics_row(f"{name}, {unit}", summarise(groups[quantity]), quantity))
        if rows:
            out.append(Table(method, HEAD, tuple(rows)))
    return tuple(out)


def breakdown_tables(results: Results, quantity: Quantity) -> tuple[Table, ...]:
    """Tables of one quantity by diameter, noise, pixel size and so on, both methods beside each other."""
    traits = {trait.case: trait for trait in results.traits}
    plain = plain_part(results)
    groups = {method: by_quantity(plain, method).get(quantity, []) for method in METHODS}
    out = []
    for breakdown in BREAKDOWNS:
        parts = {method: split(group, breakdown, traits) for method, group in groups.items()}
        labels = [label for label in breakdown.labels if any(label in part for part in parts.values())]
        if len(labels) < 2:
            continue
        rows = [
            statistics_row(
                f"{label}: {method}", summarise(parts[method][label]), quantity, line=breakdown.name not in _BY_TRUTH
            )
            for label in labels
            for method in METHODS
            if label in parts[method]
        ]
        out.append(Table(f"by {breakdown.title}", HEAD, tuple(rows)))
    return tuple(out)
