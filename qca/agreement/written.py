"""Statistics written for people: decimals, units, intervals."""

from __future__ import annotations

import math

from qca.agreement.estimate import Estimate
from qca.agreement.numbers import Statistic

UNITS = {"percent": "%", "deg": "°", "1": "", "": ""}
"""How a unit is written; others as they are."""

_DECIMALS = {"mm": 3, "mm/px": 5, "px": 2, "percent": 2, "points": 2, "deg": 2, "1": 3, "": 3}
"""Decimals of a number, its bounds alike: a tenth of what a reader's hand can tell."""


def shown(estimate: Estimate, unit: str = "") -> str:
    """Write an estimate with its interval for people: all three with the same decimals, whole counts whole."""
    if not estimate.known:
        return "not known"
    if unit == "items":
        return f"{estimate.value:.0f}"
    bounded = math.isfinite(estimate.low) and math.isfinite(estimate.high)
    decimals = _decimals(estimate, unit)
    least = 0.5 * 10.0**-decimals
    if unit in ("1", "") and not bounded and 0 < estimate.value < least:
        return f"under {least:.{decimals + 1}f}"
    word = UNITS.get(unit, unit)
    tail = f" {word}" if word not in ("", "°") else word
    text = f"{_fixed(estimate.value, decimals)}{tail}"
    return f"{text} ({_fixed(estimate.low, decimals)} to {_fixed(estimate.high, decimals)})" if bounded else text


def _decimals(estimate: Estimate, unit: str) -> int:
    """Decimals for a known unit; for an unknown one three significant digits of the largest of the numbers."""
    if unit in _DECIMALS:
        return _DECIMALS[unit]
    largest = max(abs(x) for x in (estimate.value, estimate.low, estimate.high) if math.isfinite(x))
    return min(max(2 - math.floor(math.log10(largest)), 0), 9) if largest > 0 else 0


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def statistic_text(each: Statistic) -> str:
    """Write a statistic with its interval; a difference of percentages is in points, lest it be taken as relative."""
    return shown(each.estimate, difference_unit(each.unit) if each.name != "coefficient_of_variation" else each.unit)


def difference_unit(unit: str) -> str:
    """Name the unit of a difference of two values in a unit."""
    return "points" if unit == "percent" else unit


def fixed(value: float, unit: str) -> str:
    """Write a bare number with the decimals of its unit."""
    return _fixed(value, _decimals(Estimate(value), unit))
