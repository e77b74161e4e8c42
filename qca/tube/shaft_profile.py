"""The mean cross profile of a shaft, on which hypotheses about it are compared cheaply."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from qca.tube.chord import Opacity, blurred_pair
from qca.tube.hollow import blurred_hollow
from qca.tube.rounding import rounding_shared
from qca.tube.shaft_blur import Blur, without
from qca.tube.shaft_model import EMPTY, GreyPrior, Hypothesis, ShaftOptions, attenuation
from qca.tube.shaft_pixels import ShaftPixels

Array = npt.NDArray[np.float64]

_BIN_PX = 0.4
_SHIFT_SD_PX = 1.5
"""How far the axis of the first fit may be off."""
_STEPS = 14
_LEAST_VARIANCE = 1e-8
"""Of a logarithm of the blur, against rounding."""
_SETTLED = 1e-3
"""Gain in log likelihood under which the steps end."""
_SIZE = 9
"""Parameters: log radius, lumen ratio, wall over lumen, log blur, shift, amplitude, and three of the background."""
_BOUNDS: Mapping[int, tuple[float, float]] = MappingProxyType(
    {
        0: (math.log(0.5), math.log(40.0)),
        1: (0.5, 0.97),
        3: (math.log(0.3), math.log(6.0)),
        5: (0.0, math.inf),
    }
)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A hypothesis fitted to the mean profile.

    ``cost`` is minus the log posterior up to a constant, ``radius_px`` the outer radius, ``shift_px`` the shift of the
    axis, ``log_sigma`` the blur, log px, ``amplitude`` the contrast of the lumen, or of the wall of an empty catheter.
    ``own`` is what the profile alone says about the blur.
    """

    cost: float
    kind: Hypothesis
    radius_px: float
    shift_px: float
    log_sigma: float
    amplitude: float
    own: Blur


@dataclass(frozen=True, slots=True)
class _Prior:
    """Independent normal priors of the parameters, each (9,); precision 0 where nothing is believed."""

    mean: Array
    precision: Array


@dataclass(frozen=True, slots=True)
class MeanProfile:
    """Depth below the background over the lateral distance, N bins.

    ``x`` (N,), px; ``depth`` and its SD ``sd`` (N,), grey levels; ``base`` (N, 3) what is left of the background.
    """

    x: Array
    depth: Array
    sd: Array
    base: Array

    @classmethod
    def of(cls, pixels: ShaftPixels, offsets: Array, ground: Array, predicted: Array) -> MeanProfile:
        """Average the pixels along the shaft.

        Parameters
        ----------
        pixels : ShaftPixels
            Pixels around the shaft.
        offsets : ndarray, shape (A,)
            Coefficients of the axis.
        ground : ndarray, shape (B,)
            Coefficients of the background.
        predicted : ndarray, shape (P,)
            Grey levels that are believed where the scale ends before them.
        """
        level = pixels.censored.completed(pixels.level, predicted)
        x = pixels.x - pixels.shift(offsets)
        bins = np.round(x / _BIN_PX).astype(np.int64)
        low = int(bins.min())
        count = np.bincount(bins - low)
        depth = np.bincount(bins - low, weights=pixels.plane.evaluate(ground) - level)
        used = count > 2
        at: Array = np.asarray((np.flatnonzero(used) + low) * _BIN_PX, dtype=np.float64)
        part = at / pixels.reach
        base = np.column_stack([np.ones_like(part), part, part**2])
        shared = pixels.rounding * rounding_shared(pixels.noise, pixels.rounding)
        sd = np.sqrt(pixels.noise**2 * pixels.correlation / count[used] + shared)
        return cls(at, depth[used] / count[used], sd, base)

    def fit(
        self,
        kind: Hypothesis,
        radius_px: float,
        grey: GreyPrior,
        options: ShaftOptions,
        hopeless: float = math.inf,
    ) -> Candidate:
        """Fit a hypothesis from one starting radius, by damped Gauss-Newton steps.

        Parameters
        ----------
        kind : {"filled", "empty", "lumen"}
            Hypothesis.
        radius_px : float
            First outer radius.
        grey : GreyPrior
            Blur and bending of the grey scale.
        options : ShaftOptions
            Priors.
        hopeless : float
            Cost from which the rest of the way need not be gone.

        Returns
        -------
        Candidate
            The hypothesis at its best, or on its way there where that cannot come below ``hopeless``.
        """
        prior = _prior(kind, grey, options)
        p, seen = self._start(kind, radius_px, grey, prior)
        value, jacobian = self._model(p, kind, seen)
        now, damping = self._cost(p, value, prior), 1e-2
        for left in reversed(range(_STEPS)):
            scaled = jacobian / self.sd[:, None]
            hessian = scaled.T @ scaled
            diagonal = np.einsum("ii->i", hessian)
            diagonal += prior.precision
            diagonal *= 1 + damping
            diagonal += 1e-9
            pull = scaled.T @ ((self.depth - value) / self.sd) - prior.precision * (p - prior.mean)
            step = np.linalg.solve(hessian, pull)
            step *= min(1.0, 0.25 / max(abs(step[0]), 1e-12), 1.0 / max(abs(step[4]), 1e-12))
            new = _bounded(p + step)
            new_value, new_jacobian = self._model(new, kind, self._opacities(new, kind, grey.bend))
            then = self._cost(new, new_value, prior)
            if then >= now:
                damping *= 8
                continue
            gain = now - then
            p, value, jacobian, now, damping = new, new_value, new_jacobian, then, damping * 0.2
            if gain < _SETTLED or now - left * gain > hopeless:
                break
        scaled = jacobian / self.sd[:, None]
        hessian = scaled.T @ scaled + np.diag(prior.precision + 1e-9)
        fitted = Blur(float(p[3]), math.sqrt(max(float(np.linalg.inv(hessian)[3, 3]), _LEAST_VARIANCE)))
        own = without(fitted, Blur(grey.log_sigma, grey.log_sigma_sd))
        return Candidate(now, kind, float(np.exp(p[0])), float(p[4]), float(p[3]), float(p[5]), own)

    def _start(
        self, kind: Hypothesis, radius_px: float, grey: GreyPrior, prior: _Prior
    ) -> tuple[Array, tuple[Opacity, Opacity]]:
        """First parameters (9,): the prior's mean, the radius, and the linear ones by least squares; the opacities."""
        p = prior.mean.copy()
        p[0] = np.log(max(radius_px, 0.8))
        seen = self._opacities(p, kind, grey.bend)
        _, jacobian = self._model(np.concatenate([p[:5], [1.0], np.zeros(3)]), kind, seen)
        p[5:] = np.linalg.lstsq(jacobian[:, 5:] / self.sd[:, None], self.depth / self.sd, rcond=None)[0]
        p[5] = max(p[5], 1e-6)
        return p, seen

    def _opacities(self, p: Array, kind: Hypothesis, bend: float) -> tuple[Opacity, Opacity]:
        """Opacities of wall and lumen, each (N,), at parameters ``p`` (9,), of which the linear ones do not matter."""
        x = self.x - p[4]
        pair = blurred_hollow if kind == EMPTY else blurred_pair
        return pair(x, np.full_like(x, float(np.exp(p[0]))), p[1], float(np.exp(p[3])), bend)

    def _model(self, p: Array, kind: Hypothesis, opacities: tuple[Opacity, Opacity]) -> tuple[Array, Array]:
        """Depth (N,) at parameters ``p`` (9,) by the opacities there, and its Jacobian (N, 9)."""
        r, sigma = float(np.exp(p[0])), float(np.exp(p[3]))
        wall, lumen, slope = attenuation(kind, p[2])
        outer, inner = opacities
        hole = lumen - wall
        shape = wall * outer.value + hole * inner.value
        jacobian = np.empty((len(self.x), _SIZE))
        jacobian[:, 0] = p[5] * r * (wall * outer.d_r + hole * p[1] * inner.d_r)
        jacobian[:, 1] = p[5] * hole * r * inner.d_r
        jacobian[:, 2] = p[5] * slope * (outer.value - inner.value)
        jacobian[:, 3] = p[5] * sigma * (wall * outer.d_sigma + hole * inner.d_sigma)
        jacobian[:, 4] = -p[5] * (wall * outer.d_x + hole * inner.d_x)
        jacobian[:, 5] = shape
        jacobian[:, 6:] = self.base
        return p[5] * shape + self.base @ p[6:], jacobian

    def _cost(self, p: Array, value: Array, prior: _Prior) -> float:
        """Minus the log posterior up to a constant."""
        z = (value - self.depth) / self.sd
        return 0.5 * float(z @ z) + 0.5 * float(((p - prior.mean) ** 2 * prior.precision).sum())


def _prior(kind: Hypothesis, grey: GreyPrior, options: ShaftOptions) -> _Prior:
    mean = np.zeros(_SIZE)
    sd = np.full(_SIZE, np.inf)
    mean[1], sd[1] = options.ratio_prior(kind)
    mean[2], sd[2] = options.wall_prior(kind)
    mean[3], sd[3] = grey.log_sigma, grey.log_sigma_sd
    sd[4] = _SHIFT_SD_PX
    return _Prior(mean, 1 / sd**2)


def _bounded(p: Array) -> Array:
    """Keep radius, lumen ratio, blur and amplitude within physics."""
    for k, (least, most) in _BOUNDS.items():
        p[k] = min(max(float(p[k]), least), most)
    return p
