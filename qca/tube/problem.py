"""The grey levels that limbs predict, and their derivatives by all parameters.

Every pixel near a limb is predicted as::

    v = B - (k exp(g) + m (B - B0)) * (E + c E^2 / 2)

``B`` is a smooth background (:mod:`qca.tube.plane`), ``E`` the blurred opacity (:mod:`qca.tube.chord`) of the union
of the limbs (:mod:`qca.tube.union`) with the wires in them (:mod:`qca.tube.wire`), ``k`` the contrast in grey levels
per px of chord, ``g`` a slow variation of it along a limb, and ``m`` the bending that stands for attenuation, scatter
pedestal and grey mapping together; ``B0`` is the median background. Limbs are curves with lateral offsets ``e(s)``
and radii ``r(s)``, both cubic splines; the blur along the vessel widens a narrowing, so radii are seen through it.

Axes: P pixels, Q parameters, N pairs of a limb and a pixel near it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.tube.band import Array, Index, Mask, select_band
from qca.tube.cap import Cap, cap_of
from qca.tube.censored import Censored
from qca.tube.chord import Opacity, blurred_opacity
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.median import median
from qca.tube.noise import LEAST_NOISE, MAD_TO_SD
from qca.tube.normal import Block, Factor, Pattern, spline_block
from qca.tube.options import FitOptions
from qca.tube.plane import Plane
from qca.tube.priors import bending_of
from qca.tube.rounding import rounding_variance
from qca.tube.shared import Shared
from qca.tube.spline import blurred_weights, sparse_rows
from qca.tube.threaded import Threaded
from qca.tube.touched import Touched
from qca.tube.wire import Lit, Shade, Wire, with_wires

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


class Problem:
    """Pixels, bases and noise of one fit around given limbs; the limbs' coefficients are only the starting point.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey levels, vessels dark.
    limbs : sequence of Limb
        Starting limbs.
    options : FitOptions
        Sizes and priors.
    shared : Shared
        Shared parameters to start from.
    usable : ndarray of bool, shape (rows, columns)
        Pixels that may be used.
    core_px : float
        Radius around the branching point that is left out.
    thin : bool
        Take every other pixel.
    wires : sequence of Wire
        In the limbs.
    crossed : bool
        Whether pixels take part that lie in both daughters.

    Attributes
    ----------
    theta : ndarray, shape (Q,)
        Parameters to start from.
    first : State
        What is predicted there.
    """

    def __init__(
        self,
        image: Array,
        limbs: Sequence[Limb],
        options: FitOptions,
        shared: Shared,
        usable: Mask,
        core_px: float,
        *,
        thin: bool = False,
        wires: Sequence[Wire] = (),
        crossed: bool = True,
    ) -> None:
        self.image = image
        self.limbs = tuple(limbs)
        self.options = options
        band = select_band(
            self.limbs,
            usable,
            margin_px=options.margin_px,
            core_px=core_px,
            thin=thin,
            sigma=None if shared.log_sigma is None else float(np.exp(shared.log_sigma)),
            crossed=crossed,
        )
        self.pixels, self.near, self.clear, self.ends = band.pixels, band.near, band.clear, band.ends
        rows, cols = self.pixels[:, 0].astype(np.int64), self.pixels[:, 1].astype(np.int64)
        self.level: Array = image[rows, cols]
        self.rounding = rounding_variance(self.level)
        self.censored = Censored.of(self.level, options.ends, rounded=self.rounding > 0)
        self.plane = Plane(self.pixels, options.background_knot_px)
        self.layout = Layout.of(self.limbs, self.plane.count, wires)
        self.threaded = Threaded(wires, self.near)
        self.touched = Touched.of(self.limbs, self.near, self.layout, len(self.level))
        self.capped = self._among(self.touched.pixel[self.touched.behind.which])
        self.lumen = self._among(self.touched.pixel)
        self.pattern = self._pattern()
        seen = self.level[self.clear] if self.clear.any() else self.level
        self.base = float(np.median(seen))
        ground, self.noise = self._first_ground(rounds=3 if shared.log_k is None else 1)
        self.theta, self.first = self._start(shared, ground)
        self.bending = [bending_of(limb) for limb in self.limbs]
        self.correlation = shared.correlation
        # a wall may not run away to an edge in the background within one round
        self.widest = [1.25 * float(limb.r.max()) + 1.0 for limb in self.limbs]

    def _among(self, pixels: Index) -> Index:
        """Which of all pixels these are, each once and in order."""
        chosen = np.zeros(len(self.level), dtype=bool)
        chosen[pixels] = True
        return np.flatnonzero(chosen)

    def _first_ground(self, *, rounds: int) -> tuple[Array, float]:
        """Background from the pixels beside the limbs, outliers down-weighted, and the SD of the noise there."""
        plane, count = self.plane, self.plane.count
        some = np.flatnonzero(self.clear)
        column, value, level = plane.column.take(some, axis=0), plane.value.take(some, axis=0), self.level[some]
        weight = np.ones(len(some))
        noise = 1.0
        # beside a lumen without noise all pixels are alike, which is no reason to expect an even background
        least = max(math.sqrt(self.rounding), LEAST_NOISE * float(np.ptp(self.level)), 1e-9)
        coef: Array = np.full(count, self.base)
        if not len(some):
            return coef, noise
        ends = np.searchsorted(some, self.ends)
        pattern = Pattern.of([spline_block(np.arange(len(some)), column)], ends, count, single=True)
        for _ in range(rounds):
            root = np.sqrt(weight)
            normal, vector = pattern.normal((root[:, None] * value).ravel(), root * (level - self.base))
            shift = Factor(normal + plane.penalty, 1e-6, own=True).solve(vector)
            coef = np.asarray(self.base + shift, dtype=np.float64)
            residual = level - plane.evaluate(coef)[some]
            noise = max(MAD_TO_SD * median(np.abs(residual)), least)
            weight = 1 / np.maximum(1, np.abs(residual) / (2 * noise))
        return coef, noise

    def _start(self, shared: Shared, ground: Array) -> tuple[Array, State]:
        """First parameters (Q,): limbs as given, the background, contrast from the depth where it is not known.

        Also what is predicted there.
        """
        layout, numbers = self.layout, self.options.priors
        theta = np.zeros(layout.size)
        for i, limb in enumerate(self.limbs):
            theta[layout.r[i]] = limb.r
            theta[layout.e[i]] = limb.e
            theta[layout.g[i]] = limb.g
        for part, strand in zip(layout.wire_f, self.threaded.strands, strict=True):
            theta[part] = strand.f
        theta[layout.wire_area] = np.log([wire.area for wire in self.threaded.wires])
        theta[layout.ground] = ground
        theta[layout.bend] = numbers.bend if shared.bend is None else shared.bend
        theta[layout.log_sigma] = numbers.log_sigma if shared.log_sigma is None else shared.log_sigma
        if shared.log_k is not None:
            theta[layout.log_k] = shared.log_k
            return theta, self.predict(theta)
        state = self.predict(theta)
        on = state.opacity > 0.3 * float(state.opacity.max(initial=0.0))
        depth = float(np.median((state.ground - self.level)[on] / state.opacity[on])) if on.any() else 0.0
        theta[layout.log_k] = np.log(max(depth, 1e-2 * self.noise))
        model, gain, contrast = self._lit(theta, state.share, state.ground, state.shown)
        return theta, replace(state, model=model, gain=gain, contrast=contrast)

    def _pattern(self) -> Pattern:
        """Which entries of the Jacobian can differ from zero; the order is that of `jacobian`."""
        layout, touched = self.layout, self.touched
        blocks = [Block(touched.pixel, at[:, 0], 4) for at in (touched.r_at, touched.e_at, touched.g_at)]
        if len(self.near) > 1:
            blocks.append(Block(self.capped, np.full(len(self.capped), layout.meeting.start), 2))
        # contrast, bending and blur stand side by side
        blocks.append(Block(self.lumen, np.full(len(self.lumen), layout.log_k), 3))
        every = np.arange(len(self.level))
        blocks.append(spline_block(every, layout.ground.start + self.plane.column))
        wires = self.threaded
        for part, pixel, (cell, _) in zip(layout.wire_f, wires.pixel, wires.basis, strict=True):
            blocks.append(Block(pixel, part.start + cell, 4))
        for k, pixel in enumerate(wires.shaded):
            blocks.append(Block(pixel, np.full(len(pixel), layout.wire_area.start + k), 1))
        return Pattern.of(blocks, self.ends, layout.size, single=True)

    def predict(self, theta: Array) -> State:
        """Predict the grey levels at ``theta`` (Q,)."""
        layout, touched = self.layout, self.touched
        sigma, bend = float(np.exp(theta[layout.log_sigma])), float(theta[layout.bend])
        # the scale's own curvature is part of the bending, and takes it back once the light has spread
        curve = self.options.priors.curve
        before = bend + curve
        r_basis = blurred_weights(touched.r_basis, sigma / touched.r_knots)
        r = sparse_rows(touched.r_at, r_basis, layout.size) @ theta
        r = np.maximum(r, self.options.smallest_radius_px)
        x = touched.x - touched.e_rows @ theta
        outward = touched.normal
        cap = cap_of(touched.behind, theta[layout.meeting] if len(self.limbs) > 1 else np.zeros(2))
        if len(cap.away):
            which = touched.behind.which
            outward = outward.copy()
            x[which], outward[which] = cap.away, cap.outward
        own = blurred_opacity(x, r, sigma, before)
        share = touched.share(own.value, x, r, outward, sigma, before)
        opacity = self._summed(share * own.value)
        lit, shades = None, self.threaded.shades(theta, layout, x, r, sigma)
        if shades:
            lit = with_wires(opacity, self.threaded.summed(shades, len(opacity)), before)
            opacity = lit.value
        ground = self.plane.evaluate(theta[layout.ground])
        shown = opacity * (1 + 0.5 * curve * opacity) if curve else opacity
        model, k, contrast = self._lit(theta, share, ground, shown)
        return State(model, opacity, shown, share, own, r_basis, cap, sigma, bend, ground, k, contrast, lit, shades)

    def _lit(self, theta: Array, share: Array, ground: Array, shown: Array) -> tuple[Array, Array, Array]:
        """Model, gain and contrast of a `State` at ``theta`` (Q,), each (P,), by others of its parts."""
        gain = np.exp(theta[self.layout.log_k] + self._summed(share * (self.touched.g_rows @ theta)))
        contrast = gain + float(theta[self.layout.bend]) * (ground - self.base)
        return ground - contrast * shown, gain, contrast

    def _summed(self, values: Array) -> Array:
        """Sum what limbs give to each pixel, (N,) -> (P,)."""
        summed = np.bincount(self.touched.pixel, weights=values, minlength=len(self.level))
        return np.asarray(summed, dtype=np.float64)

    def jacobian(self, state: State, root: Array) -> Single:
        """Give the Jacobian's entries (K,) in the pattern's order, each pixel's times ``root`` (P,) of its weight."""
        touched, own, share, lumen = self.touched, state.own, state.share, self.lumen
        opacity, contrast, lit = root * state.shown, root * state.contrast, state.lit
        curve = self.options.priors.curve
        if curve:
            contrast = contrast * (1 + curve * state.opacity)
        # how the grey levels answer to the limbs' opacity, and to each strand's
        by_lumen = -contrast if lit is None else -contrast * lit.by_lumen
        strands = [] if lit is None else self.threaded.answers(state.shades, -contrast * lit.by_wire)
        up = by_lumen[touched.pixel] * share
        by_radius, by_shift = up * own.d_r, -up * own.d_x
        if len(self.near) > 1:
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
        if len(self.near) > 1:
            at = touched.pixel[which]
            summed = [np.bincount(at, weights=by, minlength=len(opacity))[self.capped] for by in by_meeting.T]
            out.append(np.column_stack(summed))
        by_bend = by_lumen * self._summed(share * own.d_m) - (state.ground - self.base) * opacity
        by_blur = by_lumen * self._summed(share * own.d_sigma) * state.sigma
        if lit is not None:
            by_bend -= contrast * lit.by_bend
        for strand in strands:
            by_blur[strand.pixel] += strand.by_blur
        out.append(np.column_stack([scaled[lumen], by_bend[lumen], by_blur[lumen]]))
        out.append(self.plane.value * (root - state.bend * opacity)[:, None])
        out += [strand.by_place_across[:, None] * strand.basis for strand in strands]
        if lit is not None:
            by_area = -contrast * lit.by_wire * lit.alone
            out += [line[pixel] for line, pixel in zip(by_area, self.threaded.shaded, strict=True)]
        # the pattern is of single precision
        return np.concatenate([part.ravel() for part in out], dtype=np.float32, casting="same_kind")
