"""A statistic with its confidence interval."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]
Matrix = npt.NDArray[np.float64]

CONFIDENCE = 0.95
"""Two-sided level of every interval of this package."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and the bounds of its confidence interval.

    Parameters
    ----------
    value : float
        Point estimate; NaN when it cannot be formed, and then ``note`` says why.
    low, high : float
        Bounds of the interval; NaN when there is none.
    note : str
        Why something is missing, or what to keep in mind; empty when there is nothing to say.
    """

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    note: str = ""

    @property
    def known(self) -> bool:
        """True when there is a number."""
        return math.isfinite(self.value)


def pair(first: npt.ArrayLike, second: npt.ArrayLike) -> tuple[Vector, Vector]:
    """Check two columns of paired values and leave out pairs with a missing member.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Paired values; NaN is a missing one.

    Returns
    -------
    tuple of ndarray, shape (n,)
        The complete pairs.

    Raises
    ------
    ValueError
        If the shapes differ or are not one-dimensional, or a value is infinite.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        msg = f"first and second must be columns of the same length, not {a.shape} and {b.shape}"
        raise ValueError(msg)
    if np.isinf(a).any() or np.isinf(b).any():
        msg = "first and second must be finite or NaN (missing), not infinite"
        raise ValueError(msg)
    complete = ~(np.isnan(a) | np.isnan(b))
    return a[complete], b[complete]


def table(values: npt.ArrayLike) -> Matrix:
    """Check a table of targets (rows) by reads (columns); NaN is a missing read.

    Raises
    ------
    ValueError
        If it is not two-dimensional with at least two columns, or a value is infinite.
    """
    matrix = np.asarray(values, dtype=np.float64)
    if matrix.ndim != 2 or matrix.shape[1] < 2:
        msg = f"values must be a table of targets by at least two reads, not of shape {matrix.shape}"
        raise ValueError(msg)
    if np.isinf(matrix).any():
        msg = "values must be finite or NaN (missing), not infinite"
        raise ValueError(msg)
    return matrix


@functools.cache
def t_quantile(freedom: int) -> float:
    """Two-sided quantile of Student's t at `CONFIDENCE`."""
    from scipy import stats

    return float(stats.t.ppf(0.5 + CONFIDENCE / 2, freedom))


@functools.cache
def normal_quantile() -> float:
    """Two-sided quantile of the normal distribution at `CONFIDENCE`."""
    from scipy import stats

    return float(stats.norm.ppf(0.5 + CONFIDENCE / 2))


@functools.cache
def f_quantile(first: float, second: float) -> float:
    """Upper quantile of Fisher's F at `CONFIDENCE`, two-sided."""
    from scipy import stats

    return float(stats.f.ppf(0.5 + CONFIDENCE / 2, first, second))


@functools.cache
def sd_factors(freedom: int) -> tuple[float, float]:
    """Factors that turn an SD with so many degrees of freedom into the bounds of its interval (chi squared)."""
    from scipy import stats

    upper, lower = stats.chi2.ppf([0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2], freedom)
    return math.sqrt(freedom / float(upper)), math.sqrt(freedom / float(lower))


@functools.cache
def limit_factors(n: int, factor: float) -> tuple[float, float]:
    """Factors (inner, outer) such that ``mean + factor * sd`` of n values has the exact interval from inner to outer.

    Notes
    -----
    The limit is a quantile of a normal distribution: ``(quantile - mean) sqrt(n) / sd`` follows a noncentral t
    distribution with n - 1 degrees of freedom and noncentrality ``factor sqrt(n)``.
    """
    from scipy import stats

    tails = [0.5 - CONFIDENCE / 2, 0.5 + CONFIDENCE / 2]
    inner, outer = stats.nct.ppf(tails, n - 1, factor * math.sqrt(n)) / math.sqrt(n)
    return float(inner), float(outer)
