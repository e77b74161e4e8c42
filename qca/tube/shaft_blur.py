"""What the vessels' blur says about that of a catheter shaft: sharper where they move, hardly ever more blurred.

Vessels move with the heart, a catheter mostly lies still. So the vessels' blur is about the shaft's, or larger; as one
normal belief it would be forced on a shaft that is sharper and make it too narrow. With D the vessels' blur less the
shaft's, in logarithms, the belief is::

    p(D) = still N(D) + moved (N * exponential)(D) + dragged (N * exponential)(-D)

where N is normal with the SD of the vessels' blur and ``*`` a convolution.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_MOVED, _DRAGGED = 0.2, 0.01
"""How often the vessels move during an exposure and the catheter does not, and the other way round. Own estimate:
vessels run at up to 200 mm/s and exposures take 5 to 10 ms, but frames are chosen at rest."""
_TIMES = 0.3
"""Mean logarithm of what movement makes of a blur. A millimetre, drawn out evenly over 0.2 mm of blur, makes 0.5."""
_MODEL_SD = 0.05
"""SD of the log blur by what the shaft model leaves out: a wall that is not as thick or as dense as assumed."""
_WIDEST_SD = 0.35
"""SD of the log blur where the vessels say nothing about it."""
_REACH, _POINTS = 5.0, 401
"""SDs and points of the grid on which beliefs are multiplied."""


class Blur(NamedTuple):
    """Logarithm of a blur, log px, and its SD."""

    log_sigma: float
    sd: float


def without(fitted: Blur, prior: Blur) -> Blur:
    """Take a prior out of what a fit says about the blur.

    Parameters
    ----------
    fitted : Blur
        Posterior mean and SD.
    prior : Blur
        Prior mean and SD.

    Returns
    -------
    Blur
        What the pixels alone say, with what the model of a shaft leaves out.
    """
    told = max(1 / fitted.sd**2 - 1 / prior.sd**2, 1e-3)
    log_sigma = fitted.log_sigma + (fitted.log_sigma - prior.log_sigma) / (prior.sd**2 * told)
    return Blur(log_sigma, math.hypot(told**-0.5, _MODEL_SD))


def log_belief(log_sigma: Array, vessels: Blur) -> Array:
    """Logarithm of the belief about a shaft's blur.

    Parameters
    ----------
    log_sigma : ndarray, shape (N,)
        Blur of the shaft, log px.
    vessels : Blur
        That of the vessels.

    Returns
    -------
    ndarray, shape (N,)
        Log density, per log px.
    """
    less = vessels.log_sigma - log_sigma
    still = np.exp(-0.5 * (less / vessels.sd) ** 2) / (vessels.sd * math.sqrt(2 * math.pi))
    moved, dragged = _drawn_out(less, vessels.sd), _drawn_out(-less, vessels.sd)
    density = (1 - _MOVED - _DRAGGED) * still + _MOVED * moved + _DRAGGED * dragged
    return np.asarray(np.log(np.maximum(density, 1e-12)))


def _drawn_out(less: Array, sd: float) -> Array:
    """Density (N,) of the sum of a normal variable and an exponential one (Grushka E, Anal Chem 1972;44:1733)."""
    at = (sd / _TIMES - less / sd) / math.sqrt(2)
    tail = np.array([math.erfc(t) for t in at.tolist()])
    return np.asarray(np.exp(np.minimum(0.5 * (sd / _TIMES) ** 2 - less / _TIMES, 500.0)) * tail / (2 * _TIMES))


def believed(own: Blur, vessels: Blur) -> Blur:
    """Give the normal belief that takes a shaft where the vessels' word takes it.

    The product of what the shaft says by itself and the belief has a mean and an SD; what is left when the former is
    divided out is normal again (moment matching; Minka TP, Proc Uncertainty in Artificial Intelligence 2001:362).

    Parameters
    ----------
    own : Blur
        What the shaft says by itself.
    vessels : Blur
        What the vessels say.

    Returns
    -------
    Blur
        To be used as the prior of a fit to the shaft's pixels.
    """
    x = own.log_sigma + own.sd * np.linspace(-_REACH, _REACH, _POINTS)
    log_weight = log_belief(x, vessels) - 0.5 * ((x - own.log_sigma) / own.sd) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ x)
    precision = 1 / max(float(weight @ (x - mean) ** 2), 1e-8)
    told = max(precision - 1 / own.sd**2, 1 / _WIDEST_SD**2)
    centre = mean + (mean - own.log_sigma) / (own.sd**2 * told)
    apart = vessels.log_sigma - own.log_sigma
    if abs(centre - own.log_sigma) <= abs(apart) + 2 * vessels.sd:
        return Blur(centre, told**-0.5)
    # two peaks, still or moved: no normal belief has their spread, but one about the vessels' word has their mean
    told = (mean - own.log_sigma) / (own.sd**2 * (vessels.log_sigma - mean)) if mean != vessels.log_sigma else math.inf
    return Blur(vessels.log_sigma, float(np.clip(told, _WIDEST_SD**-2, vessels.sd**-2)) ** -0.5)
