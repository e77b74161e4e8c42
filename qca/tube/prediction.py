"""The grey levels that limbs predict, and their derivatives by all parameters.

Every pixel near a limb is predicted as::

    v = B - (k exp(g) + m (B - B0)) * (E + c E^2 / 2)

``B`` is a smooth background (:mod:`qca.tube.plane`), ``E`` the blurred opacity (:mod:`qca.tube.chord`) of the union
of the limbs (:mod:`qca.tube.union`) with the wires in them (:mod:`qca.tube.wire`), ``k`` the contrast in grey levels
per px of chord, ``g`` a slow variation of it along a limb, and ``m`` the bending that stands for attenuation, scatter
pedestal and grey mapping together; ``B0`` is the median background. Limbs are curves with lateral offsets ``e(s)``
and radii ``r(s)``, both cubic splines; the blur along the vessel widens a narrowing, so radii are seen through it.

The derivatives stand in a list whose order is that of a pattern, which says once for a whole fit where entries of the
Jacobian can differ from zero (:mod:`qca.tube.normal`).

Axes: P pixels, Q parameters, N pairs of a limb and a pixel near it, K entries of the Jacobian that can differ from
zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.tube.band import Array, Band, Index
from qca.tube.cap import Cap, cap_of
from qca.tube.chord import Opacity, blurred_opacity
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.normal import Block, Pattern, spline_block
from qca.tube.options import FitOptions
from qca.tube.plane import Plane
from qca.tube.spline import blurred_weights, sparse_rows
from qca.tube.threaded import Threaded
from qca.tube.touched import Touched
from qca.tube.wire import Lit, Shade, with_wires

Single = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class State:
    """Prediction at one parameter vector, with what its Jacobian needs.

    Parameters
    ----------
    model : ndarray, shape (P,)
        Grey levels.
    opacity : ndarray, shape (P,)
        Blurred opacity of the union of the limbs, with the wires in them, px.
    shown : ndarray, shape (P,)
        The same as the grey scale shows it.
    share : ndarray, shape (N,)
        Derivative of the limbs' opacity by each limb's own, where limbs touch pixels (:mod:`qca.tube.touched`).
    own : Opacity
        Each limb's own, there.
    r_basis : ndarray, shape (N, 4)
        Weights of the radii, widened by the blur along the vessel.
    cap : Cap
        Pixels behind the limbs' starts; none for a single limb.
    sigma, bend : float
        Blur, px; bending, 1/px.
    ground : ndarray, shape (P,)
        Background, grey levels.
    gain : ndarray, shape (P,)
        Contrast ``k exp(g)``, grey levels per px.
    contrast : ndarray, shape (P,)
        The same with the bending by the background.
    lit : Lit or None
        How limbs and wires make up the opacity; None without wires.
    shades : list of Shade
        Each strand's own, at its limb's near pixels.
    """

    model: Array
    opacity: Array
    shown: Array
    share: Array
    own: Opacity
    r_basis: Array
    cap: Cap
    sigma: float
    bend: float
    ground: Array
    gain: Array
    contrast: Array
    lit: Lit | None
    shades: list[Shade]


class Prediction:
    """Grey levels of one fit's pixels as a function of its parameters.

    Parameters
    ----------
    band : Band
        The pixels, and how they lie to the limbs.
    limbs : sequence of Limb
        The limbs; their coefficients do not count.
    threaded : Threaded
        The wires in them.
    plane : Plane
        The background.
    layout : Layout
        Where each parameter stands.
    base : float
        Background, grey levels, on which the contrast is that of the parameters.
    options : FitOptions
        Thinnest lumen, and the grey scale's own curvature.

    Attributes
    ----------
    pattern : Pattern
        Which entries of the Jacobian can differ from zero; the order is that of `jacobian`.
    """

    def __init__(
        self,
        band: Band,
        limbs: Sequence[Limb],
        threaded: Threaded,
        plane: Plane,
        layout: Layout,
        *,
        base: float,
        options: FitOptions,
    ) -> None:
        self._count = len(band.pixels)
        self._several = len(limbs) > 1
        self._threaded = threaded
        self._plane = plane
        self._layout = layout
        self._base = base
        self._curve = options.priors.curve
        self._smallest_radius_px = options.smallest_radius_px
        self._touched = Touched.of(limbs, band.near, layout, self._count)
        self._capped = self._among(self._touched.pixel[self._touched.behind.which])
        self._lumen = self._among(self._touched.pixel)
        self.pattern = self._pattern(band.ends)

    def _among(self, pixels: Index) -> Index:
        """Which of all pixels these are, each once and in order."""
        chosen = np.zeros(self._count, dtype=bool)
        chosen[pixels] = True
        return np.flatnonzero(chosen)

    def _pattern(self, ends: Index) -> Pattern:
        """Which entries of the Jacobian can differ from zero; the order is that of `jacobian`."""
        layout, touched = self._layout, self._touched
        blocks = [Block(touched.pixel, at[:, 0], 4) for at in (touched.r_at, touched.e_at, touched.g_at)]
        if self._several:
            blocks.append(Block(self._capped, np.full(len(self._capped), layout.meeting.start), 2))
        # contrast, bending and blur stand side by side
        blocks.append(Block(self._lumen, np.full(len(self._lumen), layout.log_k), 3))
        every = np.arange(self._count)
        blocks.append(spline_block(every, layout.ground.start + self._plane.column))
        wires = self._threaded
        for part, pixel, (cell, _) in zip(layout.wire_f, wires.pixel, wires.basis, strict=True):
            blocks.append(Block(pixel, part.start + cell, 4))
        for k, pixel in enumerate(wires.shaded):
            blocks.append(Block(pixel, np.full(len(pixel), layout.wire_area.start + k), 1))
        return Pattern.of(blocks, ends, layout.size, single=True)

    def at(self, theta: Array) -> State:
        """Predict the grey levels at ``theta`` (Q,)."""
        layout, touched = self._layout, self._touched
        sigma, bend = float(np.exp(theta[layout.log_sigma])), float(theta[layout.bend])
        # the scale's own curvature is part of the bending, and takes it back once the light has spread
        curve = self._curve
        before = bend + curve
        r_basis = blurred_weights(touched.r_basis, sigma / touched.r_knots)
        r = sparse_rows(touched.r_at, r_basis, layout.size) @ theta
        r = np.maximum(r, self._smallest_radius_px)
        x = touched.x - touched.e_rows @ theta
        outward = touched.normal
        cap = cap_of(touched.behind, theta[layout.meeting] if self._several else np.zeros(2))
        if len(cap.away):
            which = touched.behind.which
            outward = outward.copy()
            x[which], outward[which] = cap.away, cap.outward
        own = blurred_opacity(x, r, sigma, before)
        share = touched.share(own.value, x, r, outward, sigma, before)
        opacity = self._summed(share * own.value)
        lit, shades = None, self._threaded.shades(theta, layout, x, r, sigma)
        if shades:
            lit = with_wires(opacity, self._threaded.summed(shades, len(opacity)), before)
            opacity = lit.value
        ground = self._plane.evaluate(theta[layout.ground])
        shown = opacity * (1 + 0.5 * curve * opacity) if curve else opacity
        model, k, contrast = self._lit(theta, share, ground, shown)
        return State(model, opacity, shown, share, own, r_basis, cap, sigma, bend, ground, k, contrast, lit, shades)

    def with_contrast(self, theta: Array, state: State) -> State:
        """Give a state, but for whose contrast all of ``theta`` (Q,) is the same, with that contrast."""
        model, gain, contrast = self._lit(theta, state.share, state.ground, state.shown)
        return replace(state, model=model, gain=gain, contrast=contrast)

    def _lit(self, theta: Array, share: Array, ground: Array, shown: Array) -> tuple[Array, Array, Array]:
        """Model, gain and contrast of a `State` at ``theta`` (Q,), each (P,), by others of its parts."""
        gain = np.exp(theta[self._layout.log_k] + self._summed(share * (self._touched.g_rows @ theta)))
        contrast = gain + float(theta[self._layout.bend]) * (ground - self._base)
        return ground - contrast * shown, gain, contrast

    def _summed(self, values: Array) -> Array:
        """Sum what limbs give to each pixel, (N,) -> (P,)."""
        summed = np.bincount(self._touched.pixel, weights=values, minlength=self._count)
        return np.asarray(summed, dtype=np.float64)

    def jacobian(self, state: State, root: Array) -> Single:
        """Give the Jacobian's entries (K,) in the pattern's order, each pixel's times ``root`` (P,) of its weight."""
        touched, own, share, lumen = self._touched, state.own, state.share, self._lumen
        opacity, contrast, lit = root * state.shown, root * state.contrast, state.lit
        curve = self._curve
        if curve:
            contrast = contrast * (1 + curve * state.opacity)
        # how the grey levels answer to the limbs' opacity, and to each strand's
        by_lumen = -contrast if lit is None else -contrast * lit.by_lumen
        strands = [] if lit is None else self._threaded.answers(state.shades, -contrast * lit.by_wire)
        up = by_lumen[touched.pixel] * share
        by_radius, by_shift = up * own.d_r, -up * own.d_x
        if self._several:
            # a cap moves with the branching point, not with the centreline's offset
            which = touched.behind.which
            by_meeting = by_shift[which, None] * state.cap.outward
            by_shift[which] = 0.0
        for strand in strands:
            by_shift[strand.pairs] -= strand.by_place
            by_radius[strand.pairs] -= strand.by_radius
        out = [by_radius[:, None] * state.r_basis, by_shift[:, None] * touched.e_basis]
        scaled = -state.gain * opacity
        out.append((scaled[touched.pixel] * share)[:, None] * touched.g_basis)
        if self._several:
            at = touched.pixel[which]
            summed = [np.bincount(at, weights=by, minlength=len(opacity))[self._capped] for by in by_meeting.T]
            out.append(np.column_stack(summed))
        by_bend = by_lumen * self._summed(share * own.d_m) - (state.ground - self._base) * opacity
        by_blur = by_lumen * self._summed(share * own.d_sigma) * state.sigma
        if lit is not None:
            by_bend -= contrast * lit.by_bend
        for strand in strands:
            by_blur[strand.pixel] += strand.by_blur
        out.append(np.column_stack([scaled[lumen], by_bend[lumen], by_blur[lumen]]))
        out.append(self._plane.value * (root - state.bend * opacity)[:, None])
        out += [strand.by_place_across[:, None] * strand.basis for strand in strands]
        if lit is not None:
            by_area = -contrast * lit.by_wire * lit.alone
            out += [line[pixel] for line, pixel in zip(by_area, self._threaded.shaded, strict=True)]
        # the pattern is of single precision
        return np.concatenate([part.ravel() for part in out], dtype=np.float32, casting="same_kind")
