"""Diameters that are hardly more than their error, as they are to be believed: no lumen is narrower than nothing.

What a thin lumen shows is its cross-section: under the blur's width only the area that the contrast fills is seen, by
how much it darkens. So every area is as likely as another beforehand, down to none: a diameter ``d`` that a fit found
normally around ``m`` with SD ``s`` has the density ``d exp(-(d - m)^2 / (2 s^2))`` on ``d > 0``. Its mean lies
``s^2 / m`` above ``m`` where ``m`` is many ``s``, and never below zero. (Bayes' rule with a flat prior of the area;
moments of the normal distribution truncated at zero: Johnson NL, Kotz S, Balakrishnan N, Continuous Univariate
Distributions, 2nd ed, 1994, vol 1, chapter 13; from memory.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_LEAST_Z, _MOST_Z = -4.0, 100.0
"""A diameter is taken for no more than so many of its SDs below zero, and what is known better than to one in a hundred
for itself: between them the formulas hold their digits."""


class Believed(NamedTuple):
    """Mean of each diameter (N,), px, and its SD as a part of the one that the fit stated, (N,)."""

    mean: Array
    narrowed: Array


def believed(diameter: Array, sd: Array) -> Believed:
    """Mean and SD of diameters beforehand of any area.

    Parameters
    ----------
    diameter : ndarray, shape (N,)
        As fitted, px; may lie below zero.
    sd : ndarray, shape (N,)
        Its SD, px; zero where it is known.

    Returns
    -------
    Believed
        Means above zero, and parts between 0 and 1.
    """
    from scipy.special import ndtr

    fitted = np.maximum(diameter, _LEAST_Z * sd)
    z = np.divide(fitted, sd, out=np.full(len(sd), _MOST_Z), where=fitted < _MOST_Z * sd)
    density, above = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi), ndtr(z)
    # moments of t = d / sd, cut at zero
    first = z * above + density
    second = (z * z + 1) * above + z * density
    third = (z**3 + 3 * z) * above + (z * z + 2) * density
    mean = second / first
    return Believed(fitted + sd * (mean - z), np.sqrt(np.clip(third / first - mean**2, 0.0, 1.0)))
