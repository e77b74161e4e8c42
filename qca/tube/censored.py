"""Pixels at an end of the grey scale, of which only is known that their level lies there or beyond.

Such observations are censored (Tobin J, Econometrica 1958;26:24-36): what a pixel says is the logarithm of the
probability that its level with its noise lies beyond the end, ``log Phi(z)``, with ``z`` by how many SDs the model
does. In a least squares fit it stands as a residual ``SD / (h + z)`` with ``h (h + z)`` times a pixel's usual weight,
where ``h = phi(z) / Phi(z)``: both have the gradient and the curvature of that logarithm.

Axes: P pixels, C of them at an end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_HALF_LEVEL = 0.5
"""What is rounded to an end's level lies within this of it."""
_ALIKE = 1e-6
"""So near to an end's level lies what resampling makes of a plateau there."""
_FEWEST = 100
"""Pixels within the scale, without which nothing is known of the noise."""
_HOPELESS = -1e4
"""No further from the end need be told apart, SDs."""


class GreyEnds(NamedTuple):
    """Grey levels at which the scale ends, vessels dark: what is darker or brighter was cut off.

    ``noisy`` tells whether there is noise about the bright end. Without any, an even background may lie at the end of
    the scale by chance, and is all there.
    """

    dark: float = -math.inf
    bright: float = math.inf
    noisy: bool = True


ENDLESS = GreyEnds()
"""Those of a scale that holds everything."""


@dataclass(frozen=True, slots=True)
class Censored:
    """Which pixels lie at an end.

    ``seen`` (P,) tells which lie at an end. ``at`` (C,) are the numbers of those whose true level may lie beyond it,
    ``side`` (C,) where, -1 darker and 1 brighter, ``shown`` (P,) all others, ``slack`` how far within the scale a pixel
    may lie that is given as its end, grey levels.
    """

    seen: Mask
    at: Index
    side: Array
    shown: Mask
    slack: float

    @classmethod
    def of(cls, level: Array, ends: GreyEnds, *, rounded: bool) -> Censored:
        """Find them among grey levels (P,); ``rounded`` where those are whole numbers.

        Raises
        ------
        numpy.linalg.LinAlgError
            If hardly any pixel shows its level.
        """
        dark, bright = level <= ends.dark + _ALIKE, level >= ends.bright - _ALIKE
        hidden = dark | bright if ends.noisy else dark
        at = np.flatnonzero(hidden)
        if len(at) > max(len(level) - _FEWEST, 0):
            msg = "nearly all pixels lie at the ends of the grey scale"
            raise np.linalg.LinAlgError(msg)
        return cls(dark | bright, at, np.where(dark[at], -1.0, 1.0), ~hidden, _HALF_LEVEL if rounded else 0.0)

    def others(self, values: Array) -> Array:
        """Those of values (P, ...) whose pixels say what they show."""
        return values[self.shown] if len(self.at) else values

    def completed(self, level: Array, model: Array) -> Array:
        """Grey levels (P,) with the model's where those lie beyond the end."""
        if not len(self.at):
            return level
        out = level.copy()
        out[self.at] = self.side * np.maximum(self.side * level[self.at], self.side * model[self.at])
        return out

    def told(self, residual: Array, variance: Array) -> tuple[Array, Array]:
        """Residuals (P,) as a least squares fit is to take them, and the part, (P,) or (1,), of a usual pixel's weight.

        Parameters
        ----------
        residual : ndarray, shape (P,)
            Levels minus the model.
        variance : ndarray, shape (P,)
            Of single pixels' noise.
        """
        if not len(self.at):
            return residual, np.ones(1)
        part = np.ones(len(residual))
        noise = np.sqrt(variance[self.at])
        z = self._beyond(residual[self.at], noise)
        hazard = _hazard(z)
        out = residual.copy()
        out[self.at] = self.side * noise / (hazard + z)
        part[self.at] = hazard * (hazard + z)
        return out, part

    def cost(self, residual: Array, sd: float, threshold: float) -> Array:
        """Minus the logarithm of the probability of what these pixels show, (C,); linear beyond ``threshold`` SDs."""
        from scipy.special import log_ndtr

        z = self._beyond(residual[self.at], np.full(len(self.at), sd))
        return np.asarray(-log_ndtr(np.maximum(z, -threshold)) + threshold * np.maximum(-threshold - z, 0.0))

    def _beyond(self, residual: Array, sd: Array) -> Array:
        """By how many SDs (C,) the model lies beyond the end."""
        return np.maximum((self.slack - self.side * residual) / sd, _HOPELESS)


def _hazard(z: Array) -> Array:
    """Give the normal density over the normal distribution at z."""
    from scipy.special import log_ndtr

    return np.asarray(np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - log_ndtr(z)))
