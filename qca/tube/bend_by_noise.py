"""What the noise says about the bending of the grey scale.

The chord of contrast medium that a pixel sees, ``E`` with attenuation ``mu``, leaves ``1 - (1 - s) mu E`` of the
quanta, with a part ``s`` of stray light. A grey scale shows that as ``v = B - k (E + c E^2 / 2)`` with a curvature
``c`` of its own: 0 on a linear scale, ``(1 - s) mu`` on a logarithmic one, ``(1 - gamma) (1 - s) mu`` where it is a
power, below zero for powers above one and at the toe of a film. To second order in the chord the model bends by
``m = mu - c``, and the logarithm of the variance of the quanta's noise falls with ``E`` by ``q = (1 - s) mu - 2 c``. So
``m = q / 2 + (1 + s) mu / 2``: what the noise tells takes the place of what the scale might be, and of the attenuation
alone little need be known.

What is curved after the light has spread is not what is bent before: walls look sharper on a logarithmic scale. So the
curvature ``c = ((1 - s) mu - q) / 2`` is reckoned with as it is.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from qca.tube.fitted import JointFit
from qca.tube.noise import FLOOR, noise_law
from qca.tube.priors import PriorNumbers
from qca.tube.rounding import rounding_variance

_ATTENUATION = 0.024, 0.010
"""Mean and SD of the medium's attenuation, 1/px: 0.06 to 0.25 per mm on pixels of 0.1 to 0.26 mm; own choice, loose."""
_DENSE = 2.0
"""SDs by which lumens may be noisier than even a logarithmic scale makes them: beyond that a display curve is flat
where the background lies, which no curvature over the chord describes."""
_STRAY = 0.2
"""Stray light as a part of all; common practice, no source."""
_ELSE = 0.002
"""SD of what else makes the noise of lumens another one, 1/px; own choice."""
_LEAST_LEVELS, _LEAST_PART = 0.5, 0.01
"""SD of the noise, grey levels, and as a part of the range of levels, under which it says nothing: rounding follows the
picture then, or the model's own error is what is left over."""
_MOST_BACK = 0.5
"""How much flatter than where it begins the scale may be over the longest chord; own choice, a picture that turned back
would have two chords of one level."""


class Fall(NamedTuple):
    """By how much the logarithm of the noise's variance falls per px of chord, with its SD."""

    per_px: float
    sd: float


def noise_fall(fit: JointFit) -> Fall | None:
    """Tell it from a fit's residuals; None where there is hardly any noise."""
    level, model = fit.level[fit.shown], fit.model[fit.shown]
    rounding = rounding_variance(level)
    law = noise_law(level - model, model, rounding)
    noise = math.sqrt(law.spread)
    if noise < max(_LEAST_LEVELS if rounding else 0.0, _LEAST_PART * (law.high - law.low)):
        return None
    at = min(max(fit.base, law.low), law.high) - law.low
    variance = max(law.at_low + law.slope * at, FLOOR * law.spread)
    contrast = math.exp(float(fit.theta[fit.layout.log_k]))
    by_law = contrast * np.array([-law.slope / variance**2, 1 / variance - law.slope * at / variance**2])
    sd = math.sqrt(max(float(by_law @ law.covariance @ by_law), 0.0) * fit.typical)
    return Fall(contrast * law.slope / variance, sd)


def told_by_noise(priors: PriorNumbers, fit: JointFit) -> PriorNumbers:
    """Give what is believed of bending and curvature once a first fit has told the noise.

    Nothing is told where there is hardly any noise, or where it is that of none of these scales.
    """
    fall = noise_fall(fit)
    mu, mu_sd = _ATTENUATION
    if fall is None or fall.per_px < -(1 - _STRAY) * (mu + _DENSE * mu_sd) - _DENSE * fall.sd:
        return priors
    part = (1 + _STRAY) / 2
    sd = math.hypot(fall.sd / 2, part * mu_sd, _ELSE)
    longest = max(float(fit.opacity.max()), 1.0)
    curve = max(((1 - _STRAY) * mu - fall.per_px) / 2, -_MOST_BACK / longest)
    return replace(priors, bend=fall.per_px / 2 + part * mu, bend_sd=sd, curve=curve)
