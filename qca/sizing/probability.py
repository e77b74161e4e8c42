"""Probability that a quantity with known uncertainty lies below a threshold: closed forms."""

from __future__ import annotations

import math

TIE = 1e-9
"""Numbers closer than this (in their own unit, relative above 1) are the same number written two ways."""


def normal_cdf(z: float) -> float:
    """Cumulative distribution of the standard normal; NaN for NaN."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_pdf(z: float) -> float:
    """Density of the standard normal."""
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def same(first: float, second: float) -> bool:
    """Tell whether two numbers are equal up to rounding."""
    return abs(first - second) <= TIE * max(1.0, abs(first), abs(second))


def probability_below(value: float, sd: float, threshold: float, *, band: float = 0.0, or_equal: bool = True) -> float:
    """Probability that the true quantity is below (or at) a threshold.

    The error is normal with SD ``sd``; ``band`` adds an error that may lie anywhere within +-band with equal
    probability (a rectangular distribution), such as the unknown tilt of the vessels against a single view.

    Parameters
    ----------
    value, sd, threshold : float
        In one unit.
    band : float
        Half width of the rectangular error, same unit.
    or_equal : bool
        What happens exactly at the threshold when nothing is uncertain.

    Returns
    -------
    float
        0 to 1; NaN when ``value`` or ``sd`` is unknown.

    Notes
    -----
    With both errors the result is ``sd / (2 band) * (G(b) - G(a))`` with ``G(z) = z Phi(z) + phi(z)``,
    ``a, b = (threshold - value -+ band) / sd``: the normal distribution averaged over the band.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 (rectangular distribution for bounds without further knowledge).
    """
    if math.isnan(value) or math.isnan(sd) or math.isnan(threshold):
        return math.nan
    if sd > 0 and band > 0:
        low, high = (threshold - value - band) / sd, (threshold - value + band) / sd
        chance = sd / (2.0 * band) * (_integral_of_cdf(high) - _integral_of_cdf(low))
        return min(1.0, max(0.0, chance))
    if sd > 0:
        return normal_cdf((threshold - value) / sd)
    if band > 0:
        return min(1.0, max(0.0, (threshold - value + band) / (2.0 * band)))
    if same(value, threshold):
        return 1.0 if or_equal else 0.0
    return 1.0 if value < threshold else 0.0


def probability_between(value: float, sd: float, low: float, high: float) -> float:
    """Probability that the true quantity lies in ``[low, high]``; NaN when anything is unknown."""
    inside = probability_below(value, sd, high) - probability_below(value, sd, low, or_equal=False)
    return inside if math.isnan(inside) else max(0.0, inside)


def _integral_of_cdf(z: float) -> float:
    """Antiderivative of the normal cumulative distribution."""
    return z * normal_cdf(z) + normal_pdf(z)
