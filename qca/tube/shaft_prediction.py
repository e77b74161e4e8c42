"""The grey levels that a catheter shaft predicts, and their derivatives by all parameters.

Every pixel that the shaft reaches is predicted as::

    v = B - a (1 + m (B - B0)) * (D + c D^2 / 2),    D = wall E(r_outer) + (lumen - wall) E(r_inner)

``B`` is a smooth background (:mod:`qca.tube.plane`) and ``B0`` its median, ``E`` the blurred opacity of a cylinder
(:mod:`qca.tube.chord`; of an empty catheter :mod:`qca.tube.hollow`), with the attenuations of wall and lumen that the
hypothesis gives them (:mod:`qca.tube.shaft_model`). ``a`` is the amplitude, ``m`` by what part of it a grey level of
background changes the contrast, and ``c`` the grey scale's own curvature, of which an empty catheter shows none.

P pixels, of which the shaft reaches N; Q parameters in the order that :mod:`qca.tube.shaft_fit` gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.chord import REACH, Opacity, blurred_pair
from qca.tube.hollow import blurred_hollow
from qca.tube.shaft_model import EMPTY, Attenuation, GreyPrior, Hypothesis, attenuation
from qca.tube.shaft_pixels import FIXED, Array, Mask, ShaftPixels

AXIS = slice(FIXED, FIXED + 4)
"""Columns of the Jacobian that hold the axis."""
_MOST_BENT = 3.0
"""How much more than the contrast medium an empty catheter's wall may attenuate; a braid of metal does."""


@dataclass(frozen=True, slots=True)
class ShaftState:
    """Prediction at one parameter vector.

    ``level`` (P,) grey levels; ``near`` (P,) the N pixels that the shaft reaches; ``outer`` and ``inner`` opacities
    there; ``gain`` (N,) the contrast there by its background; ``radius`` (P,), px; ``sigma_px`` the blur; ``parts`` the
    attenuation of wall and lumen.
    """

    level: Array
    near: Mask
    gain: Array
    outer: Opacity
    inner: Opacity
    radius: Array
    sigma_px: float
    parts: Attenuation


class ShaftPrediction:
    """Grey levels around a shaft as a function of its parameters, under one hypothesis.

    Parameters
    ----------
    pixels : ShaftPixels
        Pixels and bases.
    kind : {"filled", "empty", "lumen"}
        Hypothesis.
    grey : GreyPrior
        Bending of the grey scale, and contrast.
    margin_px : float
        Background beside the first wall that takes part, px.
    """

    def __init__(self, pixels: ShaftPixels, kind: Hypothesis, grey: GreyPrior, margin_px: float) -> None:
        self._pixels = pixels
        self._kind = kind
        self._grey = grey
        self._margin_px = margin_px
        self._base = pixels.base
        # an empty catheter's wall bends by what it attenuates itself
        self._curve = 0.0 if kind == EMPTY else grey.curve
        here = grey.contrast_on(self._base)
        # contrast per grey level of background: what the background lets through is what a shaft takes away from
        self._per_level = grey.bend / (self.first_amplitude() if here is None else here)

    def first_amplitude(self, radius_px: float | None = None) -> float:
        """Contrast, grey levels per px of chord, from the depth of the middle of a filled shaft."""
        pixels = self._pixels
        radius = pixels.reach - self._margin_px if radius_px is None else radius_px
        core = np.abs(pixels.x) < 0.6 * radius
        # the mean chord within the core is about 1.6 radii
        depth = float(np.median(pixels.depth[core]) / (1.6 * radius))
        return max(depth, 0.05 * pixels.noise / radius)

    def _gain(self, ground: Array) -> Array:
        """Contrast on a background (P,), that on the usual one being 1."""
        return np.asarray(np.maximum(1 + self._per_level * (ground - self._base), 0.1))

    def _bend(self, amplitude: float) -> float:
        """Bending of an empty catheter's wall, 1/px, which bends by what it attenuates itself."""
        if self._grey.contrast is None:
            return self._grey.bend
        return min(max(self._per_level * amplitude, 0.0), _MOST_BENT * self._grey.bend)

    def at(self, theta: Array) -> ShaftState:
        """Grey levels at ``theta`` (Q,)."""
        pixels = self._pixels
        radius = np.exp(theta[0]) * (1 + theta[5] * pixels.u)
        sigma = float(np.exp(theta[4]))
        x = pixels.x - pixels.shift(theta[pixels.axis_part])
        near = np.abs(x) < radius + REACH * sigma
        if self._kind == EMPTY:
            outer, inner = blurred_hollow(x[near], radius[near], theta[1], sigma, self._bend(theta[3]))
        else:
            outer, inner = blurred_pair(x[near], radius[near], theta[1], sigma, self._grey.bend + self._curve)
        parts = attenuation(self._kind, theta[2])
        level = pixels.plane.evaluate(theta[pixels.ground_part])
        gain = self._gain(level[near])
        shape = parts.wall * outer.value + (parts.lumen - parts.wall) * inner.value
        level[near] -= theta[3] * gain * shape * (1 + 0.5 * self._curve * shape)
        return ShaftState(level, near, gain, outer, inner, radius, sigma, parts)

    def jacobian(self, theta: Array, state: ShaftState) -> Array:
        """Return the derivatives of the grey levels by the parameters that a pixel touches, shape (P, 26)."""
        pixels, outer, inner = self._pixels, state.outer, state.inner
        near = np.flatnonzero(state.near)
        wall = state.parts.wall
        hole = state.parts.lumen - wall
        shape = wall * outer.value + hole * inner.value
        ratio, amplitude = theta[1], theta[3] * state.gain * (1 + self._curve * shape)
        shape = shape * (1 + 0.5 * self._curve * shape)
        by_amplitude = shape
        if self._kind == EMPTY and self._grey.contrast is not None:
            by_amplitude = shape + theta[3] * self._per_level * outer.d_m
        out = np.zeros((len(pixels.level), AXIS.stop + pixels.plane.value.shape[1]))
        passed = np.ones(len(pixels.level))
        passed[near] -= theta[3] * self._per_level * shape
        by_radius = amplitude * (wall * outer.d_r + hole * inner.d_r * ratio)
        by_offset = amplitude * (wall * outer.d_x + hole * inner.d_x)
        shared = [
            -by_radius * state.radius[near],
            -amplitude * hole * inner.d_r * state.radius[near],
            -amplitude * state.parts.slope * (outer.value - inner.value),
            -state.gain * by_amplitude,
            -amplitude * (wall * outer.d_sigma + hole * inner.d_sigma) * state.sigma_px,
            -by_radius * np.exp(theta[0]) * pixels.u[near],
        ]
        out[near, : AXIS.stop] = np.column_stack([*shared, by_offset[:, None] * pixels.axis_basis[near]])
        np.multiply(pixels.plane.value, passed[:, None], out=out[:, AXIS.stop :])
        return out


def pattern_entries(jacobian: Array) -> npt.NDArray[np.float32]:
    """Entries of a Jacobian (P, 26) in the order of the pattern."""
    parts = (slice(0, FIXED), AXIS, slice(AXIS.stop, None))
    return np.concatenate([jacobian[:, part].ravel() for part in parts], dtype=np.float32, casting="same_kind")
