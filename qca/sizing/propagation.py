"""First-order propagation of uncertainty through smooth formulas of lengths."""

from __future__ import annotations

import math
from collections.abc import Iterable

from calib.units import Mm

UNKNOWN = Mm(math.nan)
"""A length that nobody knows."""


def propagate(value: float, parts: Iterable[tuple[float, Mm]]) -> Mm:
    """Give a computed length the uncertainty of the lengths it was computed from.

    Parameters
    ----------
    value : float
        The result, mm.
    parts : iterable of (float, Mm)
        Partial derivative of the result by each length, and that length.

    Returns
    -------
    Mm
        Random parts added in quadrature, scale parts added with their sign: the scale moves all lengths together.
        For a formula that is homogeneous of degree one the scale part is exact, not only first-order (Euler).

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2 and 5.2.2.
    """
    random_squares = 0.0
    scale = 0.0
    for slope, length in parts:
        random_squares += (slope * length.sd_random) ** 2
        scale += slope * length.sd_scale
    return Mm(value, math.sqrt(random_squares), scale)


def exact(value: float) -> Mm:
    """Make a length that carries no uncertainty, such as a nominal size from a label."""
    return Mm(value, 0.0, 0.0)


def larger(first: Mm, second: Mm) -> Mm:
    """Take the larger of two lengths with its own uncertainty; an unknown one is passed over."""
    if not math.isfinite(first.value):
        return second
    if not math.isfinite(second.value):
        return first
    return first if first.value >= second.value else second
