"""Paired differences: bias, limits of agreement, proportional bias.

References
----------
.. [1] Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical measurement.
   Lancet 1986;1:307-310.
.. [2] Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res 1999;8:135-160.
.. [3] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci
   2015;92:e71-80.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from qca.agreement.estimate import Estimate, Vector, limit_factors, pair, sd_factors, t_quantile

LIMIT_FACTOR = 1.96
"""Limits of agreement are bias +- this many SD (95 % of differences if normal, [2]); the paper of 1986 used 2."""

FEWEST_PAIRS = 3
"""With fewer complete pairs no spread is worth stating."""


@dataclass(frozen=True, slots=True)
class Differences:
    """How second minus first reads spread.

    Parameters
    ----------
    n : int
        Complete pairs.
    bias, sd : Estimate
        Mean and SD (n - 1) of the differences.
    lower, upper : Estimate
        Limits of agreement, ``bias -+ factor * sd``.
    factor : float
        The factor used.
    slope : Estimate
        Slope of the difference on the mean of the two reads: proportional bias when its interval leaves out 0.
    slope_p : float
        p value of that slope being 0.
    spread_p : float
        p value of the absolute deviation from that line being unrelated to the mean: small when the scatter grows
        with the size, and then one pair of limits does not serve all sizes.
    correlation : float
        Pearson's r of the two reads; shown because it is asked for, it does not measure agreement [1].
    equal : int
        Pairs with exactly the same value.
    note : str
        What is missing or odd.
    """

    n: int
    bias: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate
    factor: float
    slope: Estimate
    slope_p: float
    spread_p: float
    correlation: float
    equal: int
    note: str


def differences(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    factor: float = LIMIT_FACTOR,
    interval: Literal["exact", "1986"] = "exact",
) -> Differences:
    """Compare paired reads.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Paired values, same unit; NaN is missing, and its pair is left out.
    factor : float
        SDs between bias and limit.
    interval : str
        ``"exact"``: the limits' intervals from the noncentral t distribution [3]. ``"1986"``: bias and limits with the
        approximate standard error ``sqrt(3 s^2 / n)`` of the first paper [1], too narrow for small n.

    Returns
    -------
    Differences
        NaN with a note where fewer than three pairs are complete, or where all values are equal.

    Raises
    ------
    ValueError
        If the columns do not match.

    Examples
    --------
    >>> result = differences([1.0, 2.0, 3.0, 4.0], [1.1, 2.3, 2.9, 4.1])
    >>> round(result.bias.value, 3), round(result.upper.value, 3)
    (0.1, 0.42)
    """
    a, b = pair(first, second)
    d, n = b - a, len(a)
    equal = int(np.count_nonzero(d == 0))
    if n < FEWEST_PAIRS:
        few = Estimate(note=f"{n} complete pairs, at least {FEWEST_PAIRS} are needed")
        return Differences(n, few, few, few, few, factor, few, math.nan, math.nan, math.nan, equal, few.note)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    half = t_quantile(n - 1) * sd / math.sqrt(n)
    spread = Estimate(sd, sd * sd_factors(n - 1)[0], sd * sd_factors(n - 1)[1])
    if interval == "1986":
        # 1 / n + 2^2 / (2 (n - 1)) is about 3 / n: the paper's own approximation
        inwards = outwards = t_quantile(n - 1) * sd * math.sqrt(3 / n)
    else:
        inner, outer = limit_factors(n, factor)
        inwards, outwards = sd * (factor - inner), sd * (outer - factor)
    lower, upper = bias - factor * sd, bias + factor * sd
    slope, slope_p, spread_p = _trend(d, (a + b) / 2)
    correlation = float(np.corrcoef(a, b)[0, 1]) if np.ptp(a) > 0 and np.ptp(b) > 0 else math.nan
    note = "all differences are equal: the spread is not known, only that it was not seen" if sd == 0 else ""
    return Differences(
        n=n,
        bias=Estimate(bias, bias - half, bias + half),
        sd=spread,
        lower=Estimate(lower, lower - outwards, lower + inwards),
        upper=Estimate(upper, upper - inwards, upper + outwards),
        factor=factor,
        slope=slope,
        slope_p=slope_p,
        spread_p=spread_p,
        correlation=correlation,
        equal=equal,
        note=note,
    )


def _trend(d: Vector, mean: Vector) -> tuple[Estimate, float, float]:
    """Slope of d on the mean with its interval and p, and p of the residuals' size on the mean."""
    from scipy import stats

    n = len(d)
    if np.ptp(mean) == 0:
        return Estimate(note="all pairs have the same mean: no slope"), math.nan, math.nan
    line = stats.linregress(mean, d)
    half = t_quantile(n - 2) * float(line.stderr)
    slope = Estimate(float(line.slope), float(line.slope) - half, float(line.slope) + half)
    residual = np.abs(d - (line.intercept + line.slope * mean))
    spread_p = float(stats.linregress(mean, residual).pvalue) if np.ptp(residual) > 0 else math.nan
    return slope, float(line.pvalue), spread_p


def corrected_sd(first: npt.ArrayLike, second: npt.ArrayLike) -> tuple[float, float]:
    """Bias and SD of single reads of two readers, estimated from the means of each reader's two reads.

    Averaging hides part of each reader's own scatter; the paper of 1986 puts it back [1].

    Parameters
    ----------
    first, second : array_like, shape (N, 2)
        Two reads of each reader; rows with a missing read are left out.

    Returns
    -------
    tuple of float
        ``(bias, sd)``, second minus first: ``sd^2 = var(difference of means) + s1^2 / 4 + s2^2 / 4``, s the SD of the
        differences between a reader's repeats, taken about zero. NaN with fewer than three complete rows.

    Raises
    ------
    ValueError
        If the shapes are not (N, 2).
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 2 or a.shape[1] != 2 or a.shape != b.shape:
        msg = f"first and second must both have the shape (N, 2), not {a.shape} and {b.shape}"
        raise ValueError(msg)
    complete = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    a, b = a[complete], b[complete]
    if len(a) < FEWEST_PAIRS:
        return math.nan, math.nan
    d = b.mean(axis=1) - a.mean(axis=1)
    repeats = [float(np.mean((x[:, 1] - x[:, 0]) ** 2)) for x in (a, b)]
    return float(d.mean()), math.sqrt(float(d.var(ddof=1)) + sum(repeats) / 4)
