"""Intraclass correlation of targets by readers.

References
----------
.. [1] Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull
   1979;86:420-428.
.. [2] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods
   1996;1:30-46 (interval of the two-way random form).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.agreement.estimate import Estimate, f_quantile, table

FEWEST_TARGETS = 3
"""Fewer complete targets give an interval from about -1 to 1."""


@dataclass(frozen=True, slots=True)
class Intraclass:
    """The six coefficients of Shrout and Fleiss.

    Parameters
    ----------
    n, k : int
        Complete targets, and readers (or passes).
    dropped : int
        Targets left out because a read is missing.
    between, within, judges, error : float
        Mean squares BMS, WMS, JMS, EMS.
    single : tuple of Estimate
        ICC(1,1), ICC(2,1), ICC(3,1): one read is used later. (2,1) counts a shift between readers as disagreement
        and is the one for a tool that any reader may use; (3,1) does not.
    average : tuple of Estimate
        ICC(1,k), ICC(2,k), ICC(3,k): the mean of the k reads is used later.
    note : str
        What is missing.
    """

    n: int
    k: int
    dropped: int
    between: float
    within: float
    judges: float
    error: float
    single: tuple[Estimate, Estimate, Estimate]
    average: tuple[Estimate, Estimate, Estimate]
    note: str


def intraclass(values: npt.ArrayLike) -> Intraclass:
    """Intraclass correlations with their intervals.

    Parameters
    ----------
    values : array_like, shape (N, K)
        N targets by K readers; a row with a NaN is left out and counted in ``dropped``.

    Returns
    -------
    Intraclass
        NaN with a note for fewer than three complete targets and when all values are equal.

    Raises
    ------
    ValueError
        If the table has another shape.

    Notes
    -----
    The same formulas as a published general-purpose library's, which the tests compare; written out here to
    keep the mean squares and more digits than that library prints.
    """
    matrix = table(values)
    complete = matrix[np.isfinite(matrix).all(axis=1)]
    (n, k), dropped = complete.shape, len(matrix) - len(complete)
    if n < FEWEST_TARGETS:
        return _nothing(n, k, dropped, f"{n} complete targets, at least {FEWEST_TARGETS} are needed")
    grand, rows, columns = complete.mean(), complete.mean(axis=1), complete.mean(axis=0)
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    within = float(((complete - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    judges = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    residual = complete - rows[:, None] - columns[None, :] + grand
    error = float((residual**2).sum()) / ((n - 1) * (k - 1))
    # values that differ by rounding only are equal values
    rounding = (1e-12 * float(np.abs(complete).max())) ** 2
    if between <= rounding and within <= rounding:
        return _nothing(n, k, dropped, "all values are equal: no correlation is defined")
    if error <= rounding:
        error = 0.0
    one = _one_way(between, within, n, k)
    two = _two_way_random(between, judges, error, n, k)
    three = _two_way_fixed(between, error, n, k)
    return Intraclass(
        n=n,
        k=k,
        dropped=dropped,
        between=between,
        within=within,
        judges=judges,
        error=error,
        single=(one, two, three),
        average=(_stepped_up(one, k), _stepped_up(two, k), _stepped_up(three, k)),
        note=f"{dropped} targets left out: a read is missing" if dropped else "",
    )


def _nothing(n: int, k: int, dropped: int, note: str) -> Intraclass:
    none = Estimate(note=note)
    nan = math.nan
    return Intraclass(n, k, dropped, nan, nan, nan, nan, (none, none, none), (none, none, none), note)


def _from_ratio(ratio: float, k: int) -> float:
    """ICC of one read from an F ratio; 1 for an infinite one."""
    return 1.0 if math.isinf(ratio) else (ratio - 1) / (ratio + k - 1)


def _one_way(between: float, within: float, n: int, k: int) -> Estimate:
    ratio = between / within if within > 0 else math.inf
    low = ratio / f_quantile(n - 1, n * (k - 1))
    high = ratio * f_quantile(n * (k - 1), n - 1)
    return Estimate(_from_ratio(ratio, k), _from_ratio(low, k), _from_ratio(high, k))


def _two_way_fixed(between: float, error: float, n: int, k: int) -> Estimate:
    ratio = between / error if error > 0 else math.inf
    freedom = (n - 1) * (k - 1)
    low, high = ratio / f_quantile(n - 1, freedom), ratio * f_quantile(freedom, n - 1)
    return Estimate(_from_ratio(ratio, k), _from_ratio(low, k), _from_ratio(high, k))


def _two_way_random(between: float, judges: float, error: float, n: int, k: int) -> Estimate:
    value = (between - error) / (between + (k - 1) * error + k * (judges - error) / n)
    if error == 0:
        note = "the readers differ by a constant only: no interval for ICC(2,1)" if judges > 0 else ""
        return Estimate(value, math.nan if note else 1.0, math.nan if note else 1.0, note)
    # Satterthwaite's degrees of freedom of the mixed denominator, as in [1]
    ratio = judges / error
    top = (k - 1) * (n - 1) * (k * value * ratio + n * (1 + (k - 1) * value) - k * value) ** 2
    bottom = (n - 1) * k**2 * value**2 * ratio**2 + (n * (1 + (k - 1) * value) - k * value) ** 2
    freedom = top / bottom
    f_low, f_high = f_quantile(n - 1, freedom), f_quantile(freedom, n - 1)
    rest = k * judges + (k * n - k - n) * error
    low = n * (between - f_low * error) / (f_low * rest + n * between)
    high = n * (f_high * between - error) / (rest + n * f_high * between)
    return Estimate(value, low, high)


def _stepped_up(single: Estimate, k: int) -> Estimate:
    """Spearman-Brown: from one read to the mean of k reads; grows with its argument, so it maps the bounds too."""

    def step(x: float) -> float:
        bottom = 1 + (k - 1) * x
        return k * x / bottom if bottom > 0 else -math.inf

    value, low, high = (step(x) if math.isfinite(x) else math.nan for x in (single.value, single.low, single.high))
    if math.isinf(value):
        return Estimate(note="the single-read coefficient is at its lower bound: no average form")
    return Estimate(value, low, high, single.note)
