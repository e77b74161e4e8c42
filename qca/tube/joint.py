"""One maximum-a-posteriori fit of all limbs of a vessel tree to the pixels of a frame.

Every pixel near a limb is predicted as::

    v = B - (k exp(g) + m (B - B0)) * E

``B`` is a smooth background (:mod:`qca.tube.plane`), ``E`` the blurred opacity (:mod:`qca.tube.chord`) of the union of the
limbs (:mod:`qca.tube.union`), ``k`` the contrast in grey levels per px of chord, ``g`` a slow variation of it along a limb, and
``m`` the bending that stands for attenuation, scatter pedestal and grey mapping together; ``B0`` is the median background.
Limbs are curves with lateral offsets ``e(s)`` and radii ``r(s)``, both cubic splines; the blur along the vessel widens a
narrowing by ``sigma^2 r''/ 2``, which is part of the model.

Gauss-Newton steps on all parameters together with a Huber weight; the smoothness follows from the evidence
(:mod:`qca.tube.priors`), the noise from the residuals (:mod:`qca.tube.noise`).

Axes: P pixels, Q parameters, L limbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.tube.chord import REACH, Opacity, blurred_opacity
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.noise import correlation_factor, noise_variance
from qca.tube.normal import Pattern
from qca.tube.plane import Plane
from qca.tube.priors import Precisions, PriorNumbers, first_precisions, learned_precisions, prior_terms
from qca.tube.union import blurred_union

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FitOptions:
    """Sizes of the fit that are not measured; lengths in px."""

    margin_px: float = 11.0
    radius_knot_px: float = 2.0
    offset_knot_px: float = 3.0
    gain_knot_px: float = 16.0
    background_knot_px: float = 10.0
    huber: float = 3.0
    smallest_radius_px: float = 0.15
    priors: PriorNumbers = PriorNumbers()


@dataclass(frozen=True, slots=True)
class Shared:
    """What all limbs share: log contrast, bending, log blur, and the learned precisions; None where not yet known."""

    log_k: float | None = None
    bend: float | None = None
    log_sigma: float | None = None
    precisions: Precisions | None = None
    correlation: float = 1.0


@dataclass(frozen=True, slots=True)
class JointFit:
    """Result of a fit.

    ``covariance`` (Q, Q) is the inverse Hessian of the posterior; ``pixels`` (P, 2) with ``level`` (stored grey, vessels
    dark), ``model``, ``variance`` and ``weight`` (P,); ``near[i]`` tells limb i's pixels with their arc length and lateral
    distance.
    """

    limbs: tuple[Limb, ...]
    layout: Layout
    theta: Array
    covariance: Array
    shared: Shared
    pixels: Array
    level: Array
    model: Array
    background: Array
    opacity: Array
    variance: Array
    weight: Array
    near: tuple[Near, ...]

    @property
    def log_sigma(self) -> float:
        """Logarithm of the blur, px."""
        return float(self.theta[self.layout.log_sigma])

    @property
    def branching_point(self) -> Array:
        """Where the centrelines meet, (row, column)."""
        return np.asarray(self.limbs[0].curve.points[0] + self.theta[self.layout.meeting])

    @property
    def residual(self) -> Array:
        """Level minus model over the noise SD, shape (P,)."""
        return np.asarray((self.level - self.model) / np.sqrt(self.variance))


@dataclass(frozen=True, slots=True)
class Near:
    """Pixels near one limb: index into the pixels, arc length, lateral distance, spline bases, normals."""

    pixel: Index
    s: Array
    x: Array
    r_cell: Index
    r_basis: Array
    r_second: Array
    e_cell: Index
    e_basis: Array
    g_cell: Index
    g_basis: Array
    normal: Array


def _near(limb: Limb, index: Index, s: Array, x: Array) -> Near:
    r_cell, r_basis = limb.r_spline.basis(s)
    e_cell, e_basis = limb.e_spline.basis(s)
    g_cell, g_basis = limb.g_spline.basis(s)
    k = np.clip(np.round(s / limb.curve.step).astype(np.int64), 0, len(limb.curve.points) - 1)
    return Near(
        index, s, x, r_cell, r_basis, limb.r_spline.second(s)[1], e_cell, e_basis, g_cell, g_basis, limb.curve.normal[k]
    )


_FOUR = np.arange(4)


def _spline(cell: Index, basis: Array, coefficients: Array) -> Array:
    return np.asarray(np.einsum("nk,nk->n", coefficients[cell[:, None] + _FOUR], basis))


@dataclass(frozen=True, slots=True)
class _State:
    """Prediction at one parameter vector, with what its Jacobian needs."""

    model: Array
    opacity: Array
    share: Array
    parts: list[Opacity]
    sigma: float
    bend: float
    ground: Array
    gain: Array
    contrast: Array


class Problem:
    """Pixels, bases and noise of one fit around given limbs; the limbs' coefficients are only the starting point."""

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
    ) -> None:
        self.image = image
        self.limbs = tuple(limbs)
        self.options = options
        self.pixels, self.near, self.clear = _select(self.limbs, options, usable, core_px, thin=thin)
        rows, cols = self.pixels[:, 0].astype(np.int64), self.pixels[:, 1].astype(np.int64)
        self.level = image[rows, cols]
        self.plane = Plane(self.pixels, options.background_knot_px)
        self.layout = Layout.of(self.limbs, self.plane.count)
        self.pattern = self._pattern()
        self.theta, self.noise = self._start(shared)
        self.correlation = shared.correlation
        # a wall may not run away to an edge in the background within one round
        self.widest = [1.25 * float(limb.r.max()) + 1.0 for limb in self.limbs]

    def _start(self, shared: Shared) -> tuple[Array, float]:
        """First parameters: limbs as given, background from the pixels beside them, contrast from the depth."""
        theta = np.zeros(self.layout.size)
        for i, limb in enumerate(self.limbs):
            theta[self.layout.r[i]] = limb.r
            theta[self.layout.e[i]] = limb.e
            theta[self.layout.g[i]] = limb.g
        plane, clear = self.plane, self.clear
        count = plane.count
        weight = clear.astype(float)
        noise = 1.0
        coef = np.full(count, float(np.median(self.level[clear])) if clear.any() else float(np.median(self.level)))
        typical = float(coef[0])
        pattern = Pattern.of(
            np.repeat(np.arange(len(self.level)), 16), plane.column.ravel(), len(self.level), count
        )
        for _ in range(3 if shared.log_k is None else 1):
            normal, vector = pattern.normal(plane.value.ravel(), weight, self.level - typical)
            coef = typical + np.linalg.solve(normal + plane.penalty + 1e-6 * np.eye(count), vector)
            residual = self.level - plane.evaluate(coef)
            noise = 1.4826 * float(np.median(np.abs(residual[clear]))) + 1e-9 if clear.any() else 1.0
            weight = clear / np.maximum(1, np.abs(residual) / (2 * noise))
        theta[self.layout.ground] = coef
        self.base = typical
        numbers = self.options.priors
        theta[self.layout.bend] = numbers.bend if shared.bend is None else shared.bend
        theta[self.layout.log_sigma] = numbers.log_sigma if shared.log_sigma is None else shared.log_sigma
        if shared.log_k is not None:
            theta[self.layout.log_k] = shared.log_k
            return theta, noise
        state = self.predict(theta)
        on = state.opacity > 0.3 * float(state.opacity.max(initial=0.0))
        depth = float(np.median((state.ground - self.level)[on] / state.opacity[on])) if on.any() else 0.0
        theta[self.layout.log_k] = np.log(max(depth, 1e-2 * noise))
        return theta, noise

    def _pattern(self) -> Pattern:
        """Which entries of the Jacobian can differ from zero; the order is that of `jacobian`."""
        rows, columns = [], []

        def put(r: Index, c: Index) -> None:
            rows.append(np.broadcast_to(r[:, None], c.shape).ravel())
            columns.append(c.ravel())

        layout = self.layout
        for i, near in enumerate(self.near):
            put(near.pixel, layout.r[i].start + near.r_cell[:, None] + _FOUR)
            put(near.pixel, layout.e[i].start + near.e_cell[:, None] + _FOUR)
            put(near.pixel, layout.g[i].start + near.g_cell[:, None] + _FOUR)
        every = np.arange(len(self.level))
        shared = np.array([layout.log_k, layout.bend, layout.log_sigma])
        put(every, np.broadcast_to(shared, (len(every), 3)))
        put(every, layout.ground.start + self.plane.column)
        return Pattern.of(np.concatenate(rows), np.concatenate(columns), len(every), layout.size)

    def predict(self, theta: Array) -> _State:
        """Grey levels at ``theta``."""
        layout = self.layout
        sigma = float(np.exp(theta[layout.log_sigma]))
        bend = float(theta[layout.bend])
        count = len(self.level)
        values = np.zeros((len(self.limbs), count))
        gradients = np.zeros((len(self.limbs), count, 2)) if len(self.limbs) > 1 else None
        parts = []
        for i, near in enumerate(self.near):
            r = _spline(near.r_cell, near.r_basis + 0.5 * sigma**2 * near.r_second, theta[layout.r[i]])
            r = np.maximum(r, self.options.smallest_radius_px)
            x = near.x - _spline(near.e_cell, near.e_basis, theta[layout.e[i]])
            o = blurred_opacity(x, r, sigma, bend)
            values[i, near.pixel] = o.value
            if gradients is not None:
                gradients[i, near.pixel] = o.d_x[:, None] * near.normal
            parts.append(o)
        if gradients is None:
            opacity, share = values[0], np.ones((1, count))
        else:
            opacity, share = blurred_union(values, gradients, sigma)
        ground = self.plane.evaluate(theta[layout.ground])
        gain = np.zeros(count)
        for i, near in enumerate(self.near):
            gain[near.pixel] += share[i, near.pixel] * _spline(near.g_cell, near.g_basis, theta[layout.g[i]])
        k = np.exp(theta[layout.log_k] + gain)
        contrast = k + bend * (ground - self.base)
        return _State(ground - contrast * opacity, opacity, share, parts, sigma, bend, ground, k, contrast)

    def jacobian(self, state: _State) -> Array:
        """Entries of the Jacobian in the order of the pattern."""
        out = []
        opacity, contrast = state.opacity, state.contrast
        d_sigma = np.zeros(len(opacity))
        d_bend = np.zeros(len(opacity))
        for i, (near, o) in enumerate(zip(self.near, state.parts, strict=True)):
            share = state.share[i, near.pixel]
            up = -contrast[near.pixel] * share
            out.append(((up * o.d_r)[:, None] * (near.r_basis + 0.5 * state.sigma**2 * near.r_second)).ravel())
            out.append(((-up * o.d_x)[:, None] * near.e_basis).ravel())
            scaled = -state.gain[near.pixel] * opacity[near.pixel] * share
            out.append((scaled[:, None] * near.g_basis).ravel())
            d_sigma[near.pixel] += share * o.d_sigma
            d_bend[near.pixel] += share * o.d_m
        shared = np.column_stack(
            [
                -state.gain * opacity,
                -(state.ground - self.base) * opacity - contrast * d_bend,
                -contrast * d_sigma * state.sigma,
            ]
        )
        out.append(shared.ravel())
        out.append((self.plane.value * (1 - state.bend * opacity)[:, None]).ravel())
        return np.concatenate(out)


def _select(
    limbs: tuple[Limb, ...], options: FitOptions, usable: Mask, core_px: float, *, thin: bool
) -> tuple[Array, tuple[Near, ...], Mask]:
    """Pixels in play, ordered along the limbs; for each limb those that its lumen can touch; and those beside all lumens.

    Left out: the unusable, the ambiguous ends (beyond the last sample of a limb, before the first of a single one), and the
    core of the confluence where the way the limbs join matters. ``thin`` takes every other pixel, like a chessboard's whites.
    """
    shape = usable.shape
    paint = np.zeros(shape, dtype=bool)
    radii, reaches = [], []
    for limb in limbs:
        radius = np.maximum(limb.radius(limb.curve.position), 0.5)
        reach = radius + options.margin_px
        _paint(paint, limb.curve.points, reach)
        radii.append(radius)
        reaches.append(reach)
    paint &= usable
    if thin:
        paint[::2, ::2] = False
        paint[1::2, 1::2] = False
    pixels = np.argwhere(paint).astype(np.float64)
    count = len(pixels)
    keep = np.zeros(count, dtype=bool)
    drop = np.zeros(count, dtype=bool)
    clear = np.ones(count, dtype=bool)
    owner = np.zeros(count, dtype=np.int64)
    best = np.full(count, np.inf)
    along = np.zeros(count)
    located = []
    for i, (limb, radius, reach) in enumerate(zip(limbs, radii, reaches, strict=True)):
        s, x = limb.curve.locate(pixels)
        k = np.clip(np.round(s / limb.curve.step).astype(np.int64), 0, len(radius) - 1)
        on = (s >= 0) & (s <= limb.curve.length)
        away = np.abs(x)
        inside = on & (away <= reach[k])
        keep |= inside
        drop |= (s > limb.curve.length) & (s < limb.curve.length + 25) & (away < radius[-1] + 3)
        if len(limbs) == 1:
            drop |= (s < 0) & (s > -25) & (away < radius[0] + 3)
        clear &= ~(on & (away < radius[k] + 2.5))
        closer = inside & (away / reach[k] < best)
        best[closer] = (away / reach[k])[closer]
        owner[closer] = i
        along[closer] = s[closer]
        # the lumen may widen or shift while fitting, but not beyond this
        touch = on & (away <= radius[k] + np.minimum(0.5 * radius[k] + 6.0, options.margin_px))
        located.append((s, x, touch))
    if core_px > 0:
        drop |= np.linalg.norm(pixels - limbs[0].curve.points[0], axis=1) < core_px
    keep &= ~drop
    order = np.flatnonzero(keep)
    order = order[np.lexsort((along[order], owner[order]))]
    near = []
    for limb, (s, x, touch) in zip(limbs, located, strict=True):
        mine = np.flatnonzero(touch[order]).astype(np.int64)
        near.append(_near(limb, mine, s[order][mine], x[order][mine]))
    return pixels[order], tuple(near), clear[order]


def _paint(mask: Mask, points: Array, reach: Array) -> None:
    """Set discs of radius ``reach`` (N,) around ``points`` (N, 2)."""
    rows, cols = mask.shape
    for (r, c), d in zip(np.round(points[::2]).astype(int), reach[::2], strict=True):
        n = int(np.ceil(d)) + 2
        mask[max(r - n, 0) : min(r + n + 1, rows), max(c - n, 0) : min(c + n + 1, cols)] = True


def fit_limbs(
    image: Array,
    limbs: Sequence[Limb],
    options: FitOptions,
    shared: Shared,
    *,
    usable: Mask,
    core_px: float,
    iterations: int,
    rough: bool = False,
) -> JointFit:
    """Fit limbs to the pixels around them.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey values, vessels dark.
    limbs : sequence of Limb
        Starting limbs, three from one branching point outwards or a single one.
    options : FitOptions
        Sizes and priors.
    shared : Shared
        Shared parameters to start from; None where they are to be found.
    usable : ndarray of bool, shape (rows, columns)
        Pixels that may be used.
    core_px : float
        Radius around the branching point that is left out; 0 for a single limb.
    iterations : int
        At most this many steps.
    rough : bool
        A fit on the way: every other pixel is enough, and no covariance is needed (it is NaN).

    Returns
    -------
    JointFit
        Limbs on their base curves with fitted coefficients, and everything about the fit.
    """
    problem = Problem(image, limbs, options, shared, usable, core_px, thin=rough)
    precisions = shared.precisions or first_precisions(problem.limbs, problem.noise)
    theta = problem.theta
    variance = np.full(len(problem.level), problem.noise**2)
    state = problem.predict(theta)
    for step_number in range(iterations):
        residual = problem.level - state.model
        if step_number % 3 == 0 or step_number == iterations - 1:
            variance = noise_variance(residual, state.model) * problem.correlation
        normal, vector = problem.pattern.normal(
            problem.jacobian(state), _huber(residual, variance, options.huber) / variance, residual
        )
        prior, pull = prior_terms(theta, problem.limbs, problem.layout, problem.plane, precisions, options.priors)
        step = _solve(normal + prior + 1e-3 * np.diag(np.diag(normal)), vector - pull)
        step *= _step_limit(step, problem.layout)
        theta = _bounded(theta + step, problem)
        state = problem.predict(theta)
        last = step_number == iterations - 1
        if not last and step_number >= 1 and step_number % 2 == 1:
            precisions = learned_precisions(
                theta, _inverse(normal + prior), problem.limbs, problem.layout, problem.plane, precisions
            )
        elif step_number >= 3 and _small(step, problem.layout):
            break
    return _result(problem, theta, state, precisions, options, rough=rough)


def _result(
    problem: Problem, theta: Array, state: _State, precisions: Precisions, options: FitOptions, *, rough: bool
) -> JointFit:
    residual = problem.level - state.model
    variance = noise_variance(residual, state.model)
    shape = (problem.image.shape[0], problem.image.shape[1])
    # every other pixel says little about neighbours
    correlation = 1.0 if rough else correlation_factor(problem.pixels, residual / np.sqrt(variance), shape)
    variance = variance * correlation
    weight = _huber(residual, variance, options.huber)
    layout = problem.layout
    covariance = np.full((layout.size, layout.size), np.nan)
    if not rough:
        normal, _ = problem.pattern.normal(problem.jacobian(state), weight / variance, residual)
        prior, _ = prior_terms(theta, problem.limbs, layout, problem.plane, precisions, options.priors)
        covariance = _inverse(normal + prior)
    limbs = tuple(
        replace(limb, r=theta[layout.r[i]].copy(), e=theta[layout.e[i]].copy(), g=theta[layout.g[i]].copy())
        for i, limb in enumerate(problem.limbs)
    )
    shared = Shared(
        float(theta[layout.log_k]), float(theta[layout.bend]), float(theta[layout.log_sigma]), precisions, correlation
    )
    return JointFit(
        limbs=limbs,
        layout=layout,
        theta=theta,
        covariance=covariance,
        shared=shared,
        pixels=problem.pixels,
        level=problem.level,
        model=state.model,
        background=state.ground,
        opacity=state.opacity,
        variance=variance / correlation,
        weight=weight,
        near=problem.near,
    )


def _huber(residual: Array, variance: Array, threshold: float) -> Array:
    z = np.abs(residual) / np.sqrt(variance)
    return np.asarray(np.minimum(1.0, threshold / np.maximum(z, 1e-9)))


def _solve(matrix: Array, vector: Array) -> Array:
    from scipy.linalg import cho_factor, cho_solve

    return np.asarray(cho_solve(cho_factor(matrix, check_finite=False), vector, check_finite=False))


def _inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix."""
    from scipy.linalg.lapack import dpotrf, dpotri

    factor, failed = dpotrf(matrix, lower=1)
    if failed:
        return np.linalg.inv(matrix)
    inverse, _ = dpotri(factor, lower=1, overwrite_c=1)
    lower = np.tril(inverse)
    return np.asarray(lower + np.tril(inverse, -1).T)


def _step_limit(step: Array, layout: Layout) -> float:
    """Part of a step that keeps every group of parameters within what a linearisation can bear."""
    limits = [(step[part], 2.0) for part in layout.r] + [(step[part], 3.0) for part in layout.e]
    limits += [(step[layout.log_k : layout.log_k + 1], 0.4), (step[layout.log_sigma : layout.log_sigma + 1], 0.3)]
    limits += [(step[layout.bend : layout.bend + 1], 0.02)]
    return min(1.0, *(limit / max(float(np.abs(part).max()), 1e-12) for part, limit in limits))


def _bounded(theta: Array, problem: Problem) -> Array:
    """Keep radii positive and the shared parameters within physics."""
    for part, widest in zip(problem.layout.r, problem.widest, strict=True):
        theta[part] = np.clip(theta[part], 0.2, widest)
    theta[problem.layout.log_sigma] = np.clip(theta[problem.layout.log_sigma], np.log(0.3), np.log(6.0))
    theta[problem.layout.bend] = np.clip(theta[problem.layout.bend], -0.03, 0.12)
    return theta


def _small(step: Array, layout: Layout) -> bool:
    """Whether a step no longer matters."""
    radius = max(float(np.abs(step[part]).max()) for part in layout.r)
    return radius < 0.02 and abs(float(step[layout.log_sigma])) < 0.003
