"""The statistics as one tidy table: one statistic per row, with its interval."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from qca.agreement.comparison import Agreement, Comparison
from qca.agreement.estimate import Estimate
from qca.csv_text import lines

COLUMNS = (
    *("comparison", "reads", "limb", "quantity", "unit"),
    *("statistic", "statistic_unit", "value", "low", "high", "n", "note"),
)
"""``low`` and ``high`` are the bounds of the 95 % confidence interval, empty where there is none."""


@dataclass(frozen=True, slots=True)
class Statistic:
    """One named number of a comparison, in the unit of the quantity unless ``unit`` says otherwise."""

    name: str
    estimate: Estimate
    n: int
    unit: str


def statistics(one: Comparison) -> Iterator[Statistic]:
    """Give every number of a comparison under a fixed name.

    Parameters
    ----------
    one : Comparison
        Where from.

    Yields
    ------
    Statistic
        Always the same names in the same order for the same kind of comparison; NaN where a number is not known.
    """
    unit = one.unit
    complete = len(one.items) - one.missing
    yield Statistic("complete", Estimate(float(complete)), complete, "items")
    yield Statistic("missing", Estimate(float(one.missing)), complete, "items")
    yield Statistic("alone", Estimate(float(one.alone)), complete, "items")
    if one.differences is not None:
        d = one.differences
        yield Statistic("bias", d.bias, d.n, unit)
        yield Statistic("sd_of_differences", d.sd, d.n, unit)
        yield Statistic("lower_limit", d.lower, d.n, unit)
        yield Statistic("upper_limit", d.upper, d.n, unit)
        yield Statistic("slope_on_mean", d.slope, d.n, "1")
        yield Statistic("slope_on_mean_p", Estimate(d.slope_p), d.n, "1")
        yield Statistic("scatter_on_mean_p", Estimate(d.spread_p), d.n, "1")
        yield Statistic("pearson_r", Estimate(d.correlation), d.n, "1")
        yield Statistic("equal_pairs", Estimate(float(d.equal)), d.n, "items")
        yield Statistic("tool_sd_of_differences", Estimate(one.tool_sd, note=TOOL_NOTE), d.n, unit)
    if one.repeatability is not None:
        r = one.repeatability
        yield Statistic("within_subject_sd", r.within_sd, r.n, unit)
        yield Statistic("repeatability_coefficient", r.coefficient, r.n, unit)
        yield Statistic("coefficient_of_variation", r.variation_percent, r.n, "percent")
    if one.intraclass is not None:
        c = one.intraclass
        for form, single in zip("123", c.single, strict=True):
            yield Statistic(f"icc_{form}_1", single, c.n, "1")
        for form, average in zip("123", c.average, strict=True):
            yield Statistic(f"icc_{form}_k", average, c.n, "1")
    if one.concordance is not None:
        yield Statistic("concordance", one.concordance.coefficient, one.concordance.n, "1")
    if one.corrected is not None:
        bias, low, high = one.corrected.value, one.corrected.low, one.corrected.high
        note = one.corrected.note
        yield Statistic("bias_from_means", Estimate(bias, note=note), complete, unit)
        yield Statistic("lower_limit_from_means", Estimate(low, note=note), complete, unit)
        yield Statistic("upper_limit_from_means", Estimate(high, note=note), complete, unit)
    if one.kappa is not None:
        k = one.kappa
        yield Statistic("kappa", k.coefficient, k.n, "1")
        yield Statistic("observed_agreement", Estimate(k.observed), k.n, "1")
        yield Statistic("chance_agreement", Estimate(k.expected), k.n, "1")


TOOL_NOTE = "from the tool's stated uncertainties, as if independent between the reads"


def numbers_csv(agreement: Agreement) -> str:
    """Write all statistics of all comparisons as CSV text; see `COLUMNS`."""
    rows: list[tuple[object, ...]] = [COLUMNS]
    for one in agreement.comparisons:
        reads = "; ".join(map(str, one.reads))
        for each in statistics(one):
            e = each.estimate
            rows.append(
                (
                    *(one.kind, reads, one.limb, one.quantity, one.unit, each.name, each.unit),
                    *(x if math.isfinite(x) else None for x in (e.value, e.low, e.high)),
                    *(each.n, e.note),
                )
            )
    return lines(rows)
