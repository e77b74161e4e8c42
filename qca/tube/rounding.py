"""What rounding to whole grey levels does: noise of its own in a noisy picture, steps of the picture in one without."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ROUNDING = 1 / 12
"""Variance of rounding to whole grey levels, which no stored frame has less of."""
_ALIKE = 8.0
"""How many pixels of a picture nearly without noise share a rounding error; own choice, along a shaft."""


def rounding_variance(level: Array) -> float:
    """Variance of rounding in grey levels (P,) as they are stored; 0 where they are no whole numbers."""
    return ROUNDING if np.array_equal(level, np.round(level)) else 0.0


def rounding_shared(sd: float, rounding: float) -> float:
    """Part of the errors of rounding to whole levels that is no noise but follows the picture.

    With noise of one or more levels rounding errors are independent of what is rounded, without any they are the same
    wherever the level is: their mean falls with the characteristic function of what is added (Widrow B, Kollar I:
    Quantization noise, 2008, chapter 4; from memory).

    Parameters
    ----------
    sd : float
        SD of a pixel's noise, that of rounding in it, grey levels.
    rounding : float
        Variance of rounding; 0 without any.

    Returns
    -------
    float
        From 0 to 1.
    """
    return math.exp(-4 * math.pi**2 * max(sd**2 - rounding, 0.0)) if rounding else 0.0


def rounding_correlation(sd: float, rounding: float) -> float:
    """By how much rounding errors raise the variance of what is smooth over a pixel's, for noise of ``sd`` levels."""
    return 1.0 + _ALIKE * rounding_shared(sd, rounding)
