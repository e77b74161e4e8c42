"""Lengths with their uncertainty, in pixels and in millimetres.

``sd`` is always one standard deviation. NaN means unknown, never zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Px:
    """A length in stored pixels.

    Parameters
    ----------
    value : float
        Length, px.
    sd : float
        Standard uncertainty, px; NaN when unknown.
    """

    value: float
    sd: float = math.nan


@dataclass(frozen=True, slots=True)
class Mm:
    """A length in millimetres whose random and scale errors are kept apart.

    Lengths of one reading share one scale: its error moves all of them together, so it neither shrinks by
    averaging nor enters a ratio.

    Parameters
    ----------
    value : float
        Length, mm.
    sd_random : float
        Standard uncertainty from everything but the scale, mm.
    sd_scale : float
        Standard uncertainty from the scale, mm; signed like ``value`` so that sums and differences stay exact.
    """

    value: float
    sd_random: float = math.nan
    sd_scale: float = math.nan

    @property
    def sd(self) -> float:
        """Total standard uncertainty, mm."""
        return math.hypot(self.sd_random, self.sd_scale)

    def __add__(self, other: Mm) -> Mm:
        """Sum; random parts independent, scale parts fully correlated."""
        return Mm(
            self.value + other.value,
            math.hypot(self.sd_random, other.sd_random),
            self.sd_scale + other.sd_scale,
        )

    def __sub__(self, other: Mm) -> Mm:
        """Difference; random parts independent, scale parts fully correlated."""
        return Mm(
            self.value - other.value,
            math.hypot(self.sd_random, other.sd_random),
            self.sd_scale - other.sd_scale,
        )

    def times(self, factor: float) -> Mm:
        """Multiply the length and its uncertainty by an exact number.

        Parameters
        ----------
        factor : float
            Without unit.

        Returns
        -------
        Mm
            The product.
        """
        return Mm(self.value * factor, abs(factor) * self.sd_random, factor * self.sd_scale)

    def ratio(self, other: Mm) -> tuple[float, float]:
        """Ratio of two lengths of the same reading and its SD; the common scale cancels to first order.

        Parameters
        ----------
        other : Mm
            Divisor.

        Returns
        -------
        tuple of float
            ``(ratio, sd)``; both NaN when ``other`` is zero.
        """
        if other.value == 0 or not math.isfinite(other.value):
            return (math.nan, math.nan)
        ratio = self.value / other.value
        scale = self.sd_scale / other.value - ratio * other.sd_scale / other.value
        random = math.hypot(self.sd_random / other.value, ratio * other.sd_random / other.value)
        return (ratio, math.hypot(random, scale))
