"""Reference diameter: the taper of the healthy parts of a limb."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

NATURAL_SD, _RIPPLE_PX = 0.02, 14.0
"""Relative SD of healthy vessels around a straight taper, and how far along it neighbours share it: walls are uneven by
2 to 5 % over some millimetres. Own choice; stated SDs of references on vessels drawn by others were true with it."""
Flow = Literal["with", "against", "unknown"]
"""How positions run: with the flow, against it, or nobody knows."""


class Taper(NamedTuple):
    """Belief in the relative change of a healthy diameter over `TAPER_LENGTH_PX`.

    Normal with ``mean`` and ``sd``. A change with the sign of ``widens`` is less likely still, by a normal belief about
    zero with `WIDENING_SD`; where ``widens`` is 0 neither sign is.
    """

    mean: float
    sd: float
    widens: int


TAPERS: Mapping[Flow, Taper] = MappingProxyType(
    {"with": Taper(-0.05, 0.04, 1), "against": Taper(0.025, 0.04, -1), "unknown": Taper(0.0, 0.06, 0)}
)
"""Over 10 mm; own choice. Healthy lumens narrow by some percent in 10 mm with the flow (common practice, no source) and
do not widen: what does is a lesion that reaches the mouth."""
WIDENING_SD = 0.02
TAPER_LENGTH_PX = 50.0
LESION_SHARE = 0.4
"""Prior probability that a point of a limb is diseased."""
_STARTS = (0.5, 0.7, 0.85, 0.95)
"""Quantiles of the diameters at which the line starts."""
_SHARPENING = (3.0, 2.0, 1.5) + (1.0,) * 12
"""Factors on the scatter, step by step, so that a line far from its goal sees the points there."""
WIDE_SHARE, WIDEST = 0.003, 1.5
"""Prior probability that a point is widened, and up to how many times the healthy width; own choice."""
WIDE_BEHIND, _NARROW = 0.03, 0.75
"""That probability downstream of a lesion, where lumens dilate (common practice, no source; the number is own choice),
and the part of the usual diameter under which the narrowest place is taken for one."""


@dataclass(frozen=True, slots=True)
class Reference:
    """Straight taper through the healthy parts, N positions.

    Parameters
    ----------
    line : ndarray, shape (N,)
        Reference diameter, px.
    healthy : ndarray, shape (N,)
        Probability that a point is healthy.
    operator : ndarray, shape (2, N)
        Intercept and slope as linear functions of the diameters (the prior's mean apart).
    design : ndarray, shape (N, 2)
        Intercept and slope's part in the reference at each position.
    vessel : ndarray, shape (2, 2)
        Covariance of intercept and slope, px^2, that is not the diameters' noise: healthy vessels scatter around a
        straight taper, and where their taper hardly shows it is the prior's, which has an SD.
    """

    line: Array
    healthy: Array
    operator: Array
    design: Array
    vessel: Array

    def weights_at(self, i: int) -> Array:
        """Linear weights, shape (N,), of the diameters in the reference at position ``i``."""
        return np.asarray(self.design[i] @ self.operator)

    def vessel_variance_at(self, i: int) -> float:
        """Variance, px^2, of the reference at position ``i`` that is not the diameters' noise."""
        return float(self.design[i] @ self.vessel @ self.design[i])


def fit_reference(position: Array, diameter: Array, sd: Array, flow: Flow = "with") -> Reference:
    """Robust taper: a straight line from which points fall away only downwards.

    Points are a mixture: healthy ones scatter normally around the line, diseased ones lie anywhere below it. The line
    is found by expectation-maximisation (Dempster AP et al., J R Stat Soc B 1977;39:1-38) from several starts, the
    likeliest kept.

    Parameters
    ----------
    position, diameter, sd : ndarray, shape (N,)
        Positions and diameters with their SD, px.
    flow : str
        How positions run; ``"against"`` those of a proximal limb.

    Returns
    -------
    Reference
        The line at every position.
    """
    mid = float(position.mean())
    u = (position - mid) / TAPER_LENGTH_PX
    design = np.column_stack([np.ones_like(u), u])
    # all starts together, one per row
    level = np.quantile(diameter, _STARTS)
    taper = TAPERS[flow]
    mean, precision = taper.mean * level, (taper.sd * level) ** -2.0
    # where a line widens with the flow, the belief that none does comes on top
    more = abs(taper.widens) * (WIDENING_SD * level) ** -2.0
    # what neighbouring points have in common, noise or unevenness, counts once
    thin = float(np.clip(len(position) / max(np.ptp(position) / _RIPPLE_PX, 1.0), 1.0, None))
    spread = np.hypot(sd, NATURAL_SD * level[:, None])
    widened = _widened(diameter, flow)
    coef = np.column_stack([level, mean])
    weight = healthy = np.ones_like(spread)
    for sharp in _SHARPENING:
        width = spread * sharp
        line = coef @ design.T
        p_healthy = _healthy(diameter, line, width)
        healthy = p_healthy / (p_healthy + _unhealthy(diameter, line, widened) + 1e-300)
        weight = healthy / width**2 / thin
        coef = _weighted_line(u, diameter, weight, mean, precision)
        widens = taper.widens * coef[:, 1] > 0
        steeper = _weighted_line(u, diameter, weight, mean * precision / (precision + more), precision + more)
        coef = np.where(widens[:, None], steeper, coef)
    more = np.where(widens, more, 0.0)
    line = coef @ design.T
    likelihood = _healthy(diameter, line, spread) + _unhealthy(diameter, line, widened)
    unlikely = precision * (coef[:, 1] - mean) ** 2 + more * coef[:, 1] ** 2
    best = int(np.argmax(np.log(likelihood).sum(1) / thin - 0.5 * unlikely))
    believed = float(precision[best] + more[best])
    told = weight[best] * _told(diameter, line[best], spread[best], healthy[best])
    normal = design.T @ (told[:, None] * design) + np.diag([0.0, believed])
    inverse = np.linalg.inv(normal + 1e-12 * np.eye(2))
    operator = inverse @ (design * told[:, None]).T
    scatter = thin * (NATURAL_SD * line[best]) ** 2
    vessel = (operator * scatter) @ operator.T + believed * np.outer(inverse[1], inverse[1])
    return Reference(line[best], healthy[best], operator, design, vessel)


def _weighted_line(u: Array, diameter: Array, weight: Array, mean: Array, precision: Array) -> Array:
    """Intercept and slope (K, 2) of weighted lines, the slopes with normal priors ``mean`` and ``precision`` (K,)."""
    w0, w1, w2 = weight.sum(1) + 1e-12, weight @ u, weight @ u**2 + precision + 1e-12
    v0, v1 = weight @ diameter, weight @ (u * diameter) + precision * mean
    determinant = w0 * w2 - w1**2
    return np.column_stack([(w2 * v0 - w1 * v1) / determinant, (w0 * v1 - w1 * v0) / determinant])


def _healthy(diameter: Array, line: Array, width: Array) -> Array:
    """Density of healthy points: normal around the line."""
    z = (diameter - line) / width
    return np.asarray((1 - LESION_SHARE) / np.sqrt(2 * np.pi) * np.exp(-0.5 * z * z) / width)


def _widened(diameter: Array, flow: Flow) -> Array:
    """Prior probability (N,) that a point is widened: seldom, and less seldom downstream of a lesion."""
    share = np.full(len(diameter), WIDE_SHARE)
    narrowest = int(np.argmin(diameter))
    if diameter[narrowest] < _NARROW * float(np.median(diameter)):
        if flow == "with":
            share[narrowest:] = WIDE_BEHIND
        elif flow == "against":
            share[: narrowest + 1] = WIDE_BEHIND
    return share


def _unhealthy(diameter: Array, line: Array, widened: Array) -> Array:
    """Density of diseased points: anywhere below the line, seldom above it up to ``WIDEST`` times as wide."""
    width = np.maximum(line, 1e-6)
    above = np.where(diameter < WIDEST * line, widened / (WIDEST - 1) / width, 1e-9)
    return np.where(diameter < line, LESION_SHARE / width, above)


def _told(diameter: Array, line: Array, width: Array, healthy: Array) -> Array:
    """Part (N,) of what healthy points would tell of the line that is left where nobody knows whether they are.

    The observed over the complete information (Louis TA, J R Stat Soc B 1982;44:226-233; from memory).
    """
    z = (diameter - line) / width
    return np.maximum(1 - (1 - healthy) * z * z, 0.0)
