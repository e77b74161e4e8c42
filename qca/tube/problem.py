"""The grey levels that limbs predict, and their derivatives by all parameters.

Every pixel near a limb is predicted as::

    v = B - (k exp(g) + m (B - B0)) * E

``B`` is a smooth background (:mod:`qca.tube.plane`), ``E`` the blurred opacity (:mod:`qca.tube.chord`) of the union
of the limbs (:mod:`qca.tube.union`) with the wires in them (:mod:`qca.tube.wire`), ``k`` the contrast in grey levels
per px of chord, ``g`` a slow variation of it along a limb, and ``m`` the bending that stands for attenuation, scatter
pedestal and grey mapping together; ``B0`` is the median background. Limbs are curves with lateral offsets ``e(s)``
and radii ``r(s)``, both cubic splines; the blur along the vessel widens a narrowing by ``sigma^2 r'' / 2``, which is
part of the model.

Axes: P pixels, Q parameters, L limbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.band import Array, Index, Mask, select_band
from qca.tube.cap import Cap, cap_of
from qca.tube.chord import Opacity, blurred_opacity
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.normal import Block, Pattern, solve_symmetric, spline_block
from qca.tube.options import FitOptions
from qca.tube.plane import Plane
from qca.tube.shared import Shared
from qca.tube.union import Place, blurred_union
from qca.tube.wire import Lit, Shade, Threaded, Wire, shade, with_wires

_FOUR: npt.NDArray[np.int64] = np.arange(4)
_MAD_TO_SD = 1.4826
"""SD of a normal variable over its median absolute deviation."""


def _spline(cell: Index, basis: Array, coefficients: Array) -> Array:
    return np.asarray(np.einsum("nk,nk->n", coefficients[cell[:, None] + _FOUR], basis))


@dataclass(frozen=True, slots=True)
class State:
    """Prediction at one parameter vector, with what its Jacobian needs.

    Parameters
    ----------
    model : ndarray, shape (P,)
        Grey levels.
    opacity : ndarray, shape (P,)
        Blurred opacity of the union of the limbs, with the wires in them, px.
    share : ndarray, shape (L, P)
        Derivative of the limbs' opacity by each limb's own.
    parts : list of Opacity
        Each limb's own, at its near pixels.
    caps : list of Cap
        Each limb's pixels behind its start; none for a single limb.
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
    share: Array
    parts: list[Opacity]
    caps: list[Cap]
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
        )
        self.pixels, self.near, self.clear = band.pixels, band.near, band.clear
        rows, cols = self.pixels[:, 0].astype(np.int64), self.pixels[:, 1].astype(np.int64)
        self.level: Array = image[rows, cols]
        self.plane = Plane(self.pixels, options.background_knot_px)
        self.layout = Layout.of(self.limbs, self.plane.count, wires)
        self.threaded = Threaded(wires, self.near)
        self.capped = np.unique(np.concatenate([near.pixel[near.behind < 0] for near in self.near]))
        self.pattern = self._pattern()
        seen = self.level[self.clear] if self.clear.any() else self.level
        self.base = float(np.median(seen))
        ground, self.noise = self._first_ground(rounds=3 if shared.log_k is None else 1)
        self.theta = self._start(shared, ground)
        self.correlation = shared.correlation
        # a wall may not run away to an edge in the background within one round
        self.widest = [1.25 * float(limb.r.max()) + 1.0 for limb in self.limbs]

    def _first_ground(self, *, rounds: int) -> tuple[Array, float]:
        """Background from the pixels beside the limbs, outliers down-weighted, and the SD of the noise there."""
        plane, count = self.plane, self.plane.count
        some = np.flatnonzero(self.clear)
        column, value, level = plane.column[some], plane.value[some], self.level[some]
        weight = np.ones(len(some))
        noise = 1.0
        coef: Array = np.full(count, self.base)
        if not len(some):
            return coef, noise
        pattern = Pattern.of([spline_block(np.arange(len(some)), column)], len(some), count)
        for _ in range(rounds):
            normal, vector = pattern.normal(value.ravel(), weight, level - self.base)
            shift = solve_symmetric(normal + plane.penalty + 1e-6 * np.eye(count), vector)
            coef = np.asarray(self.base + shift, dtype=np.float64)
            residual = level - np.einsum("pk,pk->p", coef[column], value)
            noise = _MAD_TO_SD * float(np.median(np.abs(residual))) + 1e-9
            weight = 1 / np.maximum(1, np.abs(residual) / (2 * noise))
        return coef, noise

    def _start(self, shared: Shared, ground: Array) -> Array:
        """First parameters (Q,): limbs as given, the background, contrast from the depth where it is not known."""
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
            return theta
        state = self.predict(theta)
        on = state.opacity > 0.3 * float(state.opacity.max(initial=0.0))
        depth = float(np.median((state.ground - self.level)[on] / state.opacity[on])) if on.any() else 0.0
        theta[layout.log_k] = np.log(max(depth, 1e-2 * self.noise))
        return theta

    def _pattern(self) -> Pattern:
        """Which entries of the Jacobian can differ from zero; the order is that of `jacobian`."""
        layout, blocks = self.layout, []
        for i, near in enumerate(self.near):
            blocks.append(Block(near.pixel, layout.r[i].start + near.r_cell, 4))
            blocks.append(Block(near.pixel, layout.e[i].start + near.e_cell, 4))
            blocks.append(Block(near.pixel, layout.g[i].start + near.g_cell, 4))
        if len(self.near) > 1:
            blocks.append(Block(self.capped, np.full(len(self.capped), layout.meeting.start), 2))
        every = np.arange(len(self.level))
        # contrast, bending and blur stand side by side
        blocks.append(Block(every, np.full(len(every), layout.log_k), 3))
        blocks.append(spline_block(every, layout.ground.start + self.plane.column))
        wires = self.threaded
        for part, near, (cell, _) in zip(layout.wire_f, wires.near, wires.basis, strict=True):
            blocks.append(Block(near.pixel, part.start + cell, 4))
        for k, pixel in enumerate(wires.pixels):
            blocks.append(Block(pixel, np.full(len(pixel), layout.wire_area.start + k), 1))
        return Pattern.of(blocks, len(every), layout.size)

    def predict(self, theta: Array) -> State:
        """Predict the grey levels at ``theta`` (Q,)."""
        layout = self.layout
        sigma = float(np.exp(theta[layout.log_sigma]))
        bend = float(theta[layout.bend])
        count = len(self.level)
        values = np.zeros((len(self.limbs), count))
        parts, caps, places, across = [], [], [], []
        for i, (near, limb) in enumerate(zip(self.near, self.limbs, strict=True)):
            r = _spline(near.r_cell, near.r_basis + 0.5 * sigma**2 * near.r_second, theta[layout.r[i]])
            r = np.maximum(r, self.options.smallest_radius_px)
            x = near.x - _spline(near.e_cell, near.e_basis, theta[layout.e[i]])
            if len(self.limbs) > 1:
                cap = cap_of(near, limb.curve, theta[layout.meeting])
                outward = near.normal.copy()
                x[cap.which], outward[cap.which] = cap.away, cap.outward
                places.append(Place(near.pixel, x, r, outward))
                caps.append(cap)
            across.append((x, r))
            o = blurred_opacity(x, r, sigma, bend)
            values[i, near.pixel] = o.value
            parts.append(o)
        if places:
            opacity, share = blurred_union(values, places, sigma, bend)
        else:
            opacity, share = values[0], np.ones((1, count))
        lit, shades = None, self._shades(theta, across, sigma)
        if shades:
            wires = np.zeros((len(self.threaded.wires), count))
            for k, near, one in zip(self.threaded.wire_of, self.threaded.near, shades, strict=True):
                wires[k, near.pixel] += one.value
            lit = with_wires(opacity, wires, bend)
            opacity = lit.value
        ground = self.plane.evaluate(theta[layout.ground])
        gain = np.zeros(count)
        for i, near in enumerate(self.near):
            gain[near.pixel] += share[i, near.pixel] * _spline(near.g_cell, near.g_basis, theta[layout.g[i]])
        k = np.exp(theta[layout.log_k] + gain)
        contrast = k + bend * (ground - self.base)
        model = ground - contrast * opacity
        return State(model, opacity, share, parts, caps, sigma, bend, ground, k, contrast, lit, shades)

    def _shades(self, theta: Array, across: Sequence[tuple[Array, Array]], sigma: float) -> list[Shade]:
        """Each strand's own opacity, for limbs of these lateral distances and radii at their near pixels."""
        wires, layout, out = self.threaded, self.layout, []
        for k, part, strand, (cell, basis), on in zip(
            wires.wire_of, layout.wire_f, wires.strands, wires.basis, wires.on, strict=True
        ):
            area = float(np.exp(theta[layout.wire_area.start + k]))
            fraction = _spline(cell, basis, theta[part])
            out.append(shade(*across[strand.limb], fraction, on, area, sigma))
        return out

    def _by_strand(self, contrast: Array, lit: Lit) -> list[Array]:
        """Give the derivatives of the grey levels by each strand's opacity, at its limb's near pixels."""
        wires = self.threaded
        return [
            -contrast[near.pixel] * lit.by_wire[k, near.pixel]
            for k, near in zip(wires.wire_of, wires.near, strict=True)
        ]

    def jacobian(self, state: State) -> Array:
        """Return the derivatives of the grey levels: the Jacobian's entries (K,) in the order of the pattern."""
        out = []
        opacity, contrast, lit = state.opacity, state.contrast, state.lit
        # how the grey levels answer to the limbs' opacity, and to each strand's
        by_lumen = -contrast if lit is None else -contrast * lit.by_lumen
        by_strand = [] if lit is None else self._by_strand(contrast, lit)
        d_sigma = np.zeros(len(opacity))
        d_bend = np.zeros(len(opacity))
        by_meeting = np.zeros((len(opacity), 2))
        for i, (near, o) in enumerate(zip(self.near, state.parts, strict=True)):
            share = state.share[i, near.pixel]
            up = by_lumen[near.pixel] * share
            by_radius, by_shift = up * o.d_r, -up * o.d_x
            if state.caps:
                # a cap moves with the branching point, not with the centreline's offset
                cap = state.caps[i]
                by_meeting[near.pixel[cap.which]] += by_shift[cap.which, None] * cap.outward
                by_shift[cap.which] = 0.0
            for strand, one, answer in zip(self.threaded.strands, state.shades, by_strand, strict=True):
                if strand.limb == i:
                    by_shift -= answer * one.d_x
                    by_radius -= answer * one.d_x * one.fraction * (one.play > 0)
            out.append((by_radius[:, None] * (near.r_basis + 0.5 * state.sigma**2 * near.r_second)).ravel())
            out.append((by_shift[:, None] * near.e_basis).ravel())
            scaled = -state.gain[near.pixel] * opacity[near.pixel] * share
            out.append((scaled[:, None] * near.g_basis).ravel())
            d_sigma[near.pixel] += share * o.d_sigma
            d_bend[near.pixel] += share * o.d_m
        if state.caps:
            out.append(by_meeting[self.capped].ravel())
        shared = np.column_stack(
            [
                -state.gain * opacity,
                -(state.ground - self.base) * opacity + by_lumen * d_bend,
                by_lumen * d_sigma * state.sigma,
            ]
        )
        if lit is not None:
            shared[:, 1] -= contrast * lit.by_bend
        for near, one, answer in zip(self.threaded.near, state.shades, by_strand, strict=True):
            shared[near.pixel, 2] += answer * one.d_log_sigma
        out.append(shared.ravel())
        out.append((self.plane.value * (1 - state.bend * opacity)[:, None]).ravel())
        for (_, basis), one, answer in zip(self.threaded.basis, state.shades, by_strand, strict=True):
            out.append(((-answer * one.d_x * one.play)[:, None] * basis).ravel())
        if lit is not None:
            for k, pixel in enumerate(self.threaded.pixels):
                out.append((-contrast * lit.by_wire[k] * lit.alone[k])[pixel])
        return np.concatenate(out)
