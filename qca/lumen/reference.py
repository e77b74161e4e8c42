"""Reference diameter: the taper of the healthy parts of a limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

NATURAL_SD = 0.015
"""Relative SD of healthy vessels around a straight taper; own choice, keeps noise-free points from counting without
end."""
TAPER_MEAN_PER_LENGTH = -0.05
TAPER_SD_PER_LENGTH = 0.06
"""Relative change of diameter over 10 mm (50 px) of a healthy vessel, prior mean and SD; own choice, loose."""
TAPER_LENGTH_PX = 50.0
LESION_SHARE = 0.4
"""Prior probability that a point of a limb is diseased."""
WIDE_SHARE, WIDEST = 0.003, 1.5
"""Prior probability that a point is widened, and up to how many times the healthy width; own choice."""


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
    """

    line: Array
    healthy: Array
    operator: Array
    design: Array

    def weights_at(self, i: int) -> Array:
        """Linear weights, shape (N,), of the diameters in the reference at position ``i``."""
        return np.asarray(self.design[i] @ self.operator)


def fit_reference(position: Array, diameter: Array, sd: Array) -> Reference:
    """Robust taper: a straight line from which points fall away only downwards.

    Points are a mixture: healthy ones scatter normally around the line, diseased ones lie anywhere below it. The line
    is found by expectation-maximisation (Dempster AP et al., J R Stat Soc B 1977;39:1-38) from several starts, the
    likeliest kept.

    Parameters
    ----------
    position, diameter, sd : ndarray, shape (N,)
        Positions and diameters with their SD, px.

    Returns
    -------
    Reference
        The line at every position.
    """
    mid = float(position.mean())
    u = (position - mid) / TAPER_LENGTH_PX
    design = np.column_stack([np.ones_like(u), u])
    best: tuple[float, Array, Array, Array] | None = None
    for quantile in (0.5, 0.7, 0.85, 0.95):
        level = float(np.quantile(diameter, quantile))
        prior_sd = TAPER_SD_PER_LENGTH * level
        prior = np.diag([0.0, 1 / prior_sd**2])
        mean = np.array([0.0, TAPER_MEAN_PER_LENGTH * level])
        coef = np.array([level, mean[1]])
        # noise of neighbouring points is correlated over about 10 px: count them accordingly
        thin = float(np.clip(len(position) / max(np.ptp(position) / 10.0, 1.0), 1.0, None))
        spread = np.hypot(sd, NATURAL_SD * level)
        healthy = np.ones_like(u)
        for sharp in (3.0, 2.0, 1.5) + (1.0,) * 12:
            width = spread * sharp
            line = design @ coef
            z = (diameter - line) / width
            p_healthy = (1 - LESION_SHARE) * np.exp(-0.5 * z * z) / (width * np.sqrt(2 * np.pi))
            p_lesion = _unhealthy(diameter, line)
            healthy = p_healthy / (p_healthy + p_lesion + 1e-300)
            w = healthy / width**2 / thin
            normal = design.T @ (w[:, None] * design) + prior + 1e-12 * np.eye(2)
            operator = np.linalg.solve(normal, (design * w[:, None]).T)
            coef = operator @ diameter + np.linalg.solve(normal, prior @ mean)
        line = design @ coef
        z = (diameter - line) / spread
        p_h = (1 - LESION_SHARE) * np.exp(-0.5 * z * z) / (spread * np.sqrt(2 * np.pi))
        p_l = _unhealthy(diameter, line)
        score = float(np.log(p_h + p_l).sum() / thin - 0.5 * ((coef[1] - mean[1]) / prior_sd) ** 2)
        if best is None or score > best[0]:
            best = (score, coef, healthy, operator)
    assert best is not None  # noqa: S101 - four starts always leave one
    _, coef, healthy, operator = best
    return Reference(design @ coef, healthy, operator, design)


def _unhealthy(diameter: Array, line: Array) -> Array:
    """Density of diseased points: anywhere below the line, seldom above it up to ``WIDEST`` times as wide."""
    width = np.maximum(line, 1e-6)
    above = np.where(diameter < WIDEST * line, WIDE_SHARE / (WIDEST - 1) / width, 1e-9)
    return np.where(diameter < line, LESION_SHARE / width, above)
