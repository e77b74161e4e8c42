"""Many values of one quantity: bias, SD, limits, regression, coverage, efficiency."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qca.validation.value import Value

_FEWEST = 3
"""With fewer values nothing is stated."""

_FEWEST_BOUNDS = 10
"""With fewer bounded values no efficiency is stated."""

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Summary:
    """Statistics of measured minus true.

    Parameters
    ----------
    n : int
        Values with a number.
    missing : int
        Values that are NaN.
    bias, bias_se : float
        Mean error and its standard error.
    sd : float
        Standard deviation (n - 1) of the error.
    low, high : float
        95 % limits, bias -+ 1.96 SD.
    worst : float
        Largest absolute error.
    slope, intercept : float
        Least-squares line of measured on true; NaN when the truth does not vary.
    coverage, coverage_low, coverage_high : float
        Percent of stated 95 % intervals (value -+ 1.96 stated SD) that hold the truth, with its own 95 % interval
        (Wilson EB, J Am Stat Assoc 1927;22:209); NaN where no SD is stated.
    efficiency : float
        Root mean square of error over information bound; 1 is perfect, NaN with too few bounds.
    """

    n: int
    missing: int
    bias: float
    bias_se: float
    sd: float
    low: float
    high: float
    worst: float
    slope: float
    intercept: float
    coverage: float
    coverage_low: float
    coverage_high: float
    efficiency: float


def summarise(values: Sequence[Value]) -> Summary:
    """Summarise values of one quantity and one method."""
    nan = math.nan
    truth = np.array([value.truth for value in values])
    error = np.array([value.error for value in values])
    known = np.isfinite(error)
    n, missing = int(known.sum()), int((~known).sum())
    if n < _FEWEST:
        return Summary(n, missing, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan)
    e, t = error[known], truth[known]
    bias, sd = float(e.mean()), float(e.std(ddof=1))
    slope = intercept = nan
    if float(np.ptp(t)) > 1e-6 * float(np.abs(t).max()):
        slope, intercept = (float(c) for c in np.polyfit(t, t + e, 1))
    covered = [
        abs(value.error) <= Z95 * value.sd for value in values if math.isfinite(value.error) and math.isfinite(value.sd)
    ]
    low, high = wilson(sum(covered), len(covered))
    bound = np.array([value.bound_sd for value in values])[known]
    has = np.isfinite(bound) & (bound > 0)
    efficiency = nan
    if has.sum() >= _FEWEST_BOUNDS:
        efficiency = float(np.sqrt(np.mean((e[has] / bound[has]) ** 2)))
    return Summary(
        n,
        missing,
        bias,
        sd / math.sqrt(n),
        sd,
        bias - Z95 * sd,
        bias + Z95 * sd,
        float(np.abs(e).max()),
        slope,
        intercept,
        100 * sum(covered) / len(covered) if covered else nan,
        100 * low,
        100 * high,
        efficiency,
    )


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share; NaN for n = 0.

    Wilson EB, J Am Stat Assoc 1927;22:209, equation for the score interval.
    """
    if n == 0:
        return math.nan, math.nan
    p, z2 = hits / n, Z95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 / (1 + z2 / n) * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return max(middle - half, 0.0), min(middle + half, 1.0)
