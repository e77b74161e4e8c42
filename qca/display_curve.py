"""Grey values that went through a display curve, and how the noise tells.

A curve that is steep in the middle and flat at both ends makes the middle grey levels noisier than both ends, which no
linear, logarithmic or power-law scale does. Quanta have a variance equal to their mean, so a level whose noise has the
SD ``s(v)`` was made from the intensity ``I`` with ``dv / s(v) = dI / sqrt(I)``: the integral of ``1 / s`` gives the
square root of the intensity up to two constants (Anscombe FJ, Biometrika 1948;35:246-254), whatever the curve was. On
that scale contrast, blur and bending mean again what the fit takes them for.

Axes: P pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.tube.fitted import JointFit
from qca.tube.noise import behind_high_pass
from qca.tube.rounding import ROUNDING, rounding_variance

Array = npt.NDArray[np.float64]

_SURE_Z, _SURE = 4.0, 0.12
"""SDs, and the size, from which on the middle levels' surplus of noise is a curve's. Without one phantoms stay under
3.1 and 0.19, and no frame over both."""
_CUT = 9.0
"""Squared residuals over the variance are cut here: something that the fit does not know of is no noise."""
_LEAST_NOISE, _LEAST_PART = 0.5, 0.01
"""SD of the noise, grey levels, and as a part of half of the levels' range, under which it says nothing about a curve:
rounding to whole levels follows what the picture shows then, or the model's own error is what is left over. Frames
nearly without noise were straightened by their steps. At 2500 quanta per pixel noise is 3 to 10 % of that half."""
_GRAIN = 0.72
"""Least part of the residuals' SD that a high pass must leave, which lets independent noise through whole. Where the
model's own error is larger than the noise, or a filter has smoothed the frame more in even places, it is the vessels'
edges, in the middle of the grey levels, that are noisiest. Noise-free phantoms have 0.01 to 0.07, compressed or
denoised ones 0.2 to 0.7, noise that a display curve shaped 0.76 to 1.05."""
_BEYOND = 1.1
"""The noise is taken as known so far over the levels seen, in halves of their range."""
_DEGREE = 3
"""Of the polynomial that straightens; a parabola tells whether there is anything to straighten."""
_MEDIAN_SQUARE = 0.455
"""Median of a squared standard normal variable."""
_STEPS = 15
_TABLE = 2048


@dataclass(frozen=True, slots=True)
class NoiseByLevel:
    """Logarithm of the noise variance as a polynomial over the grey level.

    Parameters
    ----------
    middle, half : float
        Middle and half width of the levels seen, grey levels, vessels dark.
    told : bool
        Whether there is noise enough to tell anything from.
    coefficients : tuple of float
        Of 1, u, u^2 and so on, where u runs from -1 to 1 over the levels seen; up to u^2 where there is nothing to
        straighten.
    curvature, curvature_sd : float
        Coefficient of u^2 where the polynomial is a parabola, and its SD.
    grain : float
        Part of the residuals' SD that a high pass leaves of them, about 1 for noise of single pixels; NaN where there
        is nothing to straighten.
    behind : bool
        Whether the middle levels are the noisiest behind that high pass, too.
    """

    middle: float
    half: float
    told: bool
    coefficients: tuple[float, ...]
    curvature: float
    curvature_sd: float
    grain: float = math.nan
    behind: bool = False

    @property
    def curved(self) -> bool:
        """Whether the middle levels are noisier than both ends."""
        return self.told and _sure(self.curvature, self.curvature_sd)

    @property
    def display_curve(self) -> bool:
        """Whether a curve that is flat at both ends made it."""
        return self.curved and self.behind and self.grain > _GRAIN

    def straight(self, level: Array) -> Array:
        """Grey levels, vessels dark, on the scale on which the noise is even and a level at the top stays a level."""
        ends = self.middle - _BEYOND * self.half, self.middle + _BEYOND * self.half
        knots = np.linspace(ends[0], ends[1], _TABLE)
        slope = np.exp(-0.5 * np.polynomial.polynomial.polyval((knots - self.middle) / self.half, self.coefficients))
        slope /= slope[-1]
        rise = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(knots))])
        inside = np.interp(level, knots, rise - rise[-1] + knots[-1])
        beyond = np.minimum(level - ends[0], 0.0) * slope[0] + np.maximum(level - ends[1], 0.0)
        return np.asarray(inside + beyond)


def noise_by_level(fit: JointFit) -> NoiseByLevel:
    """Estimate the noise at each grey level from a fit's residuals by maximum likelihood."""
    residual, level = (fit.level - fit.model)[fit.shown], fit.model[fit.shown]
    low, high = np.percentile(level, [1, 99])
    middle, half = float(low + high) / 2, max(float(high - low) / 2, 1e-9)
    u = (level - middle) / half
    seen = np.abs(u) < _BEYOND
    square, u = residual[seen] ** 2, u[seen]
    parabola, sd = _parabola(square, u, fit.shared.correlation)
    typical = math.sqrt(float(np.median(square)) / _MEDIAN_SQUARE)
    told = typical > max(_LEAST_NOISE if rounding_variance(fit.level) else 0.0, _LEAST_PART * half)
    noise = NoiseByLevel(middle, half, told, tuple(parabola.tolist()), float(parabola[2]), sd)
    if not noise.curved:
        return noise
    finer, _ = _fitted(square, u, _DEGREE)
    passed, at = _passed(fit)
    u = (at - middle) / half
    seen = np.abs(u) < _BEYOND
    if not seen.any():
        return noise
    again, again_sd = _parabola(passed[seen] ** 2, u[seen], fit.shared.correlation)
    behind = _sure(float(again[2]), again_sd)
    before = float(np.median(np.abs(fit.level - fit.model)))
    grain = float(np.median(np.abs(passed))) / max(before, 1e-12)
    return replace(noise, coefficients=tuple(finer.tolist()), grain=grain, behind=behind)


def _sure(curvature: float, sd: float) -> bool:
    """Whether middle levels are noisier for certain."""
    return curvature < -_SURE and curvature < -_SURE_Z * sd


def _passed(fit: JointFit) -> tuple[Array, Array]:
    """Give what a high pass leaves of the residuals, and the levels predicted in the middle of it, (N,) each.

    A vessel that the fit does not know of makes the middle levels noisier as well, but is smooth: on 12 frames of
    another renderer with third branches, crossing or narrow vessels it stood for a display curve with 4 to 8 SDs, of
    which at most 3.6 are left behind the high pass; of display curves all are.
    """
    row, column = (fit.pixels - fit.pixels.min(0)).astype(int).T
    residual, level = np.full((2, row.max() + 1, column.max() + 1), np.nan)
    residual[row, column] = fit.level - fit.model
    level[row, column] = fit.model
    passed = behind_high_pass(residual)
    known = np.isfinite(passed)
    return passed[known], level[1:-1, 1:-1][known]


def _parabola(square: Array, u: Array, correlation: float) -> tuple[Array, float]:
    """Coefficients (3,) of a parabola through the log variance, and the SD of the last."""
    coefficients, information = _fitted(square, u, 2)
    return coefficients, math.sqrt(float(np.linalg.inv(information)[2, 2]) * correlation)


def _fitted(square: Array, u: Array, degree: int) -> tuple[Array, Array]:
    """Coefficients of the log variance of squared residuals (P,) over ``u`` (P,), and their information."""
    design = np.polynomial.polynomial.polyvander(u, degree)
    at = np.zeros(degree + 1)
    at[0] = math.log(max(float(np.median(square)) / _MEDIAN_SQUARE, 1e-12))
    information = 0.5 * design.T @ design + 1e-9 * np.eye(degree + 1)
    for _ in range(_STEPS):
        variance = np.exp(np.clip(design @ at, -60, 60))
        ratio = np.minimum(square / (variance + ROUNDING), _CUT)
        step = np.linalg.solve(information, 0.5 * design.T @ (ratio / _kept() - 1))
        at += step
        if float(np.abs(step).max()) < 1e-6:
            break
    return at, information


def _kept() -> float:
    """Give what cutting leaves of a squared normal variable's expectation."""
    root = math.sqrt(_CUT)
    density = math.exp(-_CUT / 2) / math.sqrt(2 * math.pi)
    return math.erf(root / math.sqrt(2)) - 2 * root * density + _CUT * math.erfc(root / math.sqrt(2))


def straightened(frame: Frame, noise: NoiseByLevel, *, dark: bool) -> Frame:
    """Give the frame on the scale on which its noise is even.

    Parameters
    ----------
    frame : Frame
        Stored grey values.
    noise : NoiseByLevel
        Its noise.
    dark : bool
        Whether its vessels are dark.

    Returns
    -------
    Frame
        Same size, file and header numbers; grey values are real numbers.
    """
    sign = 1.0 if dark else -1.0
    pixels = sign * noise.straight(sign * frame.pixels)
    pixels.setflags(write=False)
    low, high = (float(sign * noise.straight(np.array([sign * end]))[0]) for end in frame.grey_range)
    return replace(frame, pixels=pixels, grey_range=(low, high))
