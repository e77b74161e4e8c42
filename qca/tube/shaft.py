"""Width of a catheter shaft: two concentric blurred cylinders fitted along a stretch of it.

A catheter is a wall around a lumen that is empty or filled with contrast. Both are blurred cylinders, so the shaft is::

    v = B - a_outer E(r_outer) - a_inner E(r_inner)

with free amplitudes: an unfilled catheter has ``a_inner = -a_outer`` (a hole in the wall), a filled one a positive
``a_inner``. The radii and amplitudes are common to the whole stretch; the axis and the background follow it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.tube.chord import blurred_opacity
from qca.tube.curve import Curve, curve_through
from qca.tube.spline import Spline

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ShaftOptions:
    """Priors and sizes of the shaft fit; lengths in px."""

    margin_px: float = 12.0
    axis_knot_px: float = 12.0
    background_knot_px: float = 16.0
    lumen_ratio: float = 0.86
    """Inner over outer diameter of a diagnostic or guide catheter; common practice, no source."""
    lumen_ratio_sd: float = 0.04
    wall_over_lumen: float = 1.0
    """Attenuation of the wall over that of a contrast-filled lumen: radiopaque polymer or braid; own choice."""
    wall_over_lumen_sd: float = 0.1
    empty_penalty: float = 2.0
    """Log odds against an empty catheter in a frame whose vessels are filled through it; own choice (7 to 1)."""
    window_px: float = 20.0
    iterations: int = 12
    huber: float = 3.0


@dataclass(frozen=True, slots=True)
class Shaft:
    """A fitted stretch of catheter.

    ``outer_px`` and ``inner_px`` are diameters, px, with their SDs (residual correlation included). ``taper`` is the
    relative change of the outer diameter over the stretch with ``taper_sd``. ``spread_px`` is the SD of the outer
    diameter between windows along the stretch and ``spread_expected_px`` what noise alone would give.
    ``filled`` tells whether the lumen attenuates more than the wall; ``ambiguous`` that it could
    as well be the other way round, with another width. ``left``, ``right`` (N, 2) are the outer walls.
    """

    outer_px: float
    outer_sd_px: float
    inner_px: float
    inner_sd_px: float
    length_px: float
    taper: float
    taper_sd: float
    spread_px: float
    spread_expected_px: float
    filled: bool
    visible: bool
    ambiguous: bool
    amplitude_outer: float
    amplitude_inner: float
    sigma_px: float
    chi2: float
    axis: Array
    left: Array
    right: Array


FILLED, EMPTY, LUMEN = "filled", "empty", "lumen"
"""Hypotheses: contrast in the lumen; no contrast in it; only the lumen shows and is the object of known size."""


def fit_shaft(
    image: Array,
    curve: Curve,
    first_radius_px: float,
    *,
    log_sigma: float,
    log_sigma_sd: float,
    bend: float,
    options: ShaftOptions,
    feature: str = "outer_wall",
    valid: npt.NDArray[np.bool_] | None = None,
) -> Shaft:
    """Fit the shaft along ``curve``; both hypotheses, filled and empty, are tried and the better one kept.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Vessels (and catheter) dark.
    curve : Curve
        Rough axis between the two picks.
    first_radius_px : float
        Rough outer radius.
    log_sigma, log_sigma_sd : float
        Blur prior from the vessels, log px.
    bend : float
        Bending of the grey scale from the vessels, 1/px.
    options : ShaftOptions
        Priors.
    feature : str
        ``"outer_wall"`` or ``"filled_lumen"``.
    valid : ndarray of bool, optional
        Usable pixels.

    Returns
    -------
    Shaft
        Diameters with uncertainty.
    """
    kinds = (FILLED, EMPTY) if feature == "outer_wall" else (LUMEN,)
    samples = _Samples(image, curve, first_radius_px, options, valid)
    th, _, _ = _solve(samples, kinds[0], first_radius_px, log_sigma, log_sigma_sd, bend, options, 5)
    profile = _Profile(samples, th)
    starts = []
    for kind in kinds:
        for factor in (0.7, 1.0, 1.3):
            start = first_radius_px * factor / (options.lumen_ratio if kind == LUMEN else 1.0)
            found = profile.fit(kind, start, log_sigma, log_sigma_sd, bend, options)
            starts.append(found if kind != EMPTY else replace(found, cost=found.cost + options.empty_penalty))
    best = min(starts, key=lambda f: f.cost)
    kind, outer = best.kind, best.radius
    ambiguous = any(
        f.kind != kind and f.cost < best.cost + _AMBIGUOUS and abs(f.radius / outer - 1) > 0.04 for f in starts
    )
    # a catheter may be sharper than vessels that moved: free the blur where that explains the profile clearly better
    free = profile.fit(kind, outer, log_sigma, _FREE_BLUR_SD, bend, options)
    if free.cost + math.log(_FREE_BLUR_SD / log_sigma_sd) + _AMBIGUOUS < best.cost - (
        options.empty_penalty if kind == EMPTY else 0.0
    ):
        outer, log_sigma, log_sigma_sd = free.radius, free.log_sigma, 0.1
    axis = samples.axis(th) + best.shift * curve.normal
    samples = _Samples(image, curve_through(axis, 2.0), outer, options, valid)
    th, _, extra = _solve(samples, kind, outer, log_sigma, log_sigma_sd, bend, options, 8)
    return _shaft(kind, th, samples, extra, options, ambiguous=ambiguous)


_AMBIGUOUS = 3.0
"""Log-likelihood difference under which two hypotheses cannot be told apart (odds of 20 to 1)."""
_BIN_PX = 0.4
_FREE_BLUR_SD = 0.5
_SHIFT_SD_PX = 1.5


@dataclass(frozen=True, slots=True)
class _Found:
    """A hypothesis fitted to the mean profile: cost, outer radius and shift of the axis in px, log blur."""

    cost: float
    kind: str
    radius: float
    shift: float
    log_sigma: float


class _Profile:
    """The mean cross profile of the shaft, on which hypotheses are compared cheaply."""

    def __init__(self, sm, th):
        x = sm.x - sm.axis_basis @ th[_FIXED:_FIXED + sm.es.count]
        # depth below the background that the first fit found
        ground = sm.ground @ th[_FIXED + sm.es.count:]
        bins = np.round(x / _BIN_PX).astype(np.int64)
        low = int(bins.min())
        count = np.bincount(bins - low)
        depth = np.bincount(bins - low, weights=ground - sm.y)
        used = count > 2
        self.x = (np.flatnonzero(used) + low) * _BIN_PX
        self.depth = depth[used] / count[used]
        self.sd = sm.noise / np.sqrt(count[used])
        self.reach = sm.reach

    def fit(self, kind, r0, log_sigma, log_sigma_sd, bend, opt):
        """The hypothesis ``kind`` fitted from one starting radius, by damped Gauss-Newton steps."""
        xr = self.x / self.reach
        base = np.column_stack([np.ones_like(xr), xr, xr**2])
        mean = np.zeros(9)
        sd = np.full(9, np.inf)
        mean[1], sd[1] = opt.lumen_ratio, opt.lumen_ratio_sd
        mean[2] = opt.wall_over_lumen if kind == FILLED else 0.15
        sd[2] = opt.wall_over_lumen_sd if kind != EMPTY else 1e-3
        mean[3], sd[3] = log_sigma, log_sigma_sd
        sd[4] = _SHIFT_SD_PX
        precision = 1 / sd**2

        def model(p):
            r, sg = float(np.exp(p[0])), float(np.exp(p[3]))
            x = self.x - p[4]
            wall, lumen, slope = _parts(kind, p[2])
            eo = blurred_opacity(x, np.full_like(x, r), sg, bend)
            ei = blurred_opacity(x, np.full_like(x, p[1] * r), sg, bend)
            hole = lumen - wall
            shape = wall * eo.value + hole * ei.value
            value = p[5] * shape + base @ p[6:]
            jac = np.column_stack([
                p[5] * r * (wall * eo.d_r + hole * p[1] * ei.d_r),
                p[5] * hole * r * ei.d_r,
                p[5] * slope * (eo.value - ei.value),
                p[5] * sg * (wall * eo.d_sigma + hole * ei.d_sigma),
                -p[5] * (wall * eo.d_x + hole * ei.d_x),
                shape,
                base,
            ])
            return value, jac

        def cost(p, value):
            z = (value - self.depth) / self.sd
            return 0.5 * float(z @ z) + 0.5 * float(((p - mean) ** 2 * precision).sum())

        p = mean.copy()
        p[0] = np.log(max(r0, 0.8))
        value, jac = model(np.concatenate([p[:5], [1.0], np.zeros(3)]))
        linear = jac[:, 5:] / self.sd[:, None]
        p[5:] = np.linalg.lstsq(linear, self.depth / self.sd, rcond=None)[0]
        p[5] = max(p[5], 1e-6)
        value, jac = model(p)
        now, damping = cost(p, value), 1e-2
        for _ in range(14):
            jw = jac / self.sd[:, None]
            hessian = jw.T @ jw + np.diag(precision)
            pull = jw.T @ ((self.depth - value) / self.sd) - precision * (p - mean)
            step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), pull)
            step *= min(1.0, 0.25 / max(abs(step[0]), 1e-12), 1.0 / max(abs(step[4]), 1e-12))
            new = p + step
            new[0] = np.clip(new[0], np.log(0.5), np.log(40.0))
            new[1] = np.clip(new[1], 0.5, 0.97)
            new[3] = np.clip(new[3], np.log(0.3), np.log(6.0))
            new[5] = max(new[5], 0.0)
            value_new, jac_new = model(new)
            then = cost(new, value_new)
            if then < now:
                gain = now - then
                p, value, jac, now, damping = new, value_new, jac_new, then, damping * 0.2
                if gain < 1e-3:
                    break
            else:
                damping *= 8
        return _Found(now, kind, float(np.exp(p[0])), float(p[4]), float(p[3]))


_FIXED = 6


class _Samples:
    """Pixels around the shaft with their position along and across it, and the linear bases."""

    def __init__(self, image, curve, r0, opt, valid):
        self.curve = curve
        pts = curve.points
        self.reach = reach = r0 + opt.margin_px
        lo = np.maximum(np.floor(pts.min(0) - reach - 1), 0).astype(int)
        hi = np.minimum(np.ceil(pts.max(0) + reach + 2), image.shape).astype(int)
        rr, cc = np.mgrid[lo[0]:hi[0], lo[1]:hi[1]]
        pix = np.column_stack([rr.ravel(), cc.ravel()]).astype(float)
        s, x = curve.locate(pix)
        keep = (s >= 0) & (s <= curve.length) & (np.abs(x) <= reach)
        if valid is not None:
            keep &= valid[rr.ravel(), cc.ravel()]
        self.s, self.x = s[keep], x[keep]
        self.y = image[rr.ravel()[keep], cc.ravel()[keep]]
        self.u = self.s / curve.length - 0.5
        self.es = Spline.over(curve.length, opt.axis_knot_px)
        bs = Spline.over(curve.length, opt.background_knot_px)
        self.axis_basis = self.es.matrix(self.s)
        b = bs.matrix(self.s)
        xr = self.x / reach
        self.ground = np.hstack([b, b * xr[:, None], b * (xr**2)[:, None]])
        d = np.diff(np.eye(bs.count), 2, axis=0)
        self.rough = np.kron(np.eye(3), d.T @ d)
        out = np.abs(self.x) > r0 + 2.5
        n = self.ground[out].T @ self.ground[out] + 1e-3 * self.rough + 1e-6 * np.eye(self.ground.shape[1])
        self.ground0 = np.linalg.solve(n, self.ground[out].T @ self.y[out])
        self.depth = self.ground @ self.ground0 - self.y
        self.noise = 1.4826 * float(np.median(np.abs(self.depth[out]))) + 1e-9

    def axis(self, th):
        e = self.es.matrix(self.curve.position) @ th[_FIXED:_FIXED + self.es.count]
        return self.curve.points + e[:, None] * self.curve.normal


def _parts(kind, q):
    """Wall and lumen attenuation per unit amplitude, and their derivatives with respect to ``q``."""
    if kind == EMPTY:
        return 1.0, 0.0, 0.0
    return q, 1.0, 1.0


def _solve(sm, kind, r0, log_sigma, log_sigma_sd, bend, opt, iterations):
    ne, nb = sm.es.count, sm.ground.shape[1]
    ie, ib = _FIXED, _FIXED + ne
    size = ib + nb
    mean = np.zeros(size)
    prec = np.zeros((size, size))
    mean[1] = opt.lumen_ratio
    prec[1, 1] = 1 / opt.lumen_ratio_sd**2
    mean[2] = opt.wall_over_lumen if kind == FILLED else 0.15
    prec[2, 2] = 1 / (opt.wall_over_lumen_sd if kind != EMPTY else 1e-3) ** 2
    mean[4] = log_sigma
    prec[4, 4] = 1 / log_sigma_sd**2
    prec[5, 5] = 1 / 0.1**2
    d = np.diff(np.eye(ne), 2, axis=0)
    prec[ie:ib, ie:ib] = d.T @ d / 0.2**2 + 1e-4 * np.eye(ne)
    prec[ib:, ib:] = sm.rough / (20 * sm.noise) ** 2 + 1e-12 * np.eye(nb)
    th = mean.copy()
    th[0] = np.log(r0)
    th[ib:] = sm.ground0
    core = np.abs(sm.x) < 0.6 * r0
    a0 = max(float(np.median(sm.depth[core]) / (1.6 * r0)), 0.05 * sm.noise / r0)
    th[3] = a0 if kind != EMPTY else 4 * a0

    def model(th):
        r = np.exp(th[0]) * (1 + th[5] * sm.u)
        sg = float(np.exp(th[4]))
        xe = sm.x - sm.axis_basis @ th[ie:ib]
        near = np.abs(xe) < r + 4.5 * sg
        eo = blurred_opacity(xe[near], r[near], sg, bend)
        ei = blurred_opacity(xe[near], th[1] * r[near], sg, bend)
        wall, lumen, dwall = _parts(kind, th[2])
        v = sm.ground @ th[ib:]
        v[near] -= th[3] * (wall * eo.value + (lumen - wall) * ei.value)
        return v, near, eo, ei, r, sg, (wall, lumen, dwall)

    def jac(th, st):
        v, near, eo, ei, r, sg, (wall, lumen, dwall) = st
        hole = lumen - wall
        a, rho = th[3], th[1]
        J = np.zeros((len(sm.y), size))
        dr = a * (wall * eo.d_r + hole * ei.d_r * rho)
        J[near, 0] = -dr * r[near]
        J[near, 1] = -a * hole * ei.d_r * r[near]
        J[near, 2] = -a * dwall * (eo.value - ei.value)
        J[near, 3] = -(wall * eo.value + hole * ei.value)
        J[near, 4] = -a * (wall * eo.d_sigma + hole * ei.d_sigma) * sg
        J[near, 5] = -dr * np.exp(th[0]) * sm.u[near]
        J[near, ie:ib] = (a * (wall * eo.d_x + hole * ei.d_x))[:, None] * sm.axis_basis[near]
        J[:, ib:] = sm.ground
        return J

    def cost(th, var, st=None):
        z = np.abs(sm.y - (st or model(th))[0]) / np.sqrt(var)
        h = np.where(z < opt.huber, 0.5 * z * z, opt.huber * (z - 0.5 * opt.huber)).sum()
        dd = th - mean
        return h + 0.5 * dd @ prec @ dd

    var = sm.noise**2
    lam = 1e-3
    for it in range(iterations):
        st = model(th)
        res = sm.y - st[0]
        w = np.minimum(1, opt.huber * np.sqrt(var) / np.maximum(np.abs(res), 1e-12)) / var
        J = jac(th, st)
        H = (J * w[:, None]).T @ J
        g = J.T @ (w * res) - prec @ (th - mean)
        c0 = cost(th, var, st)
        improved = 0.0
        for _ in range(6):
            step = np.linalg.solve(H + prec + lam * np.diag(np.diag(H)) + 1e-12 * np.eye(size), g)
            limit = min(1.0, 0.25 / max(abs(step[0]), 1e-9), 2.0 / max(np.abs(step[ie:ib]).max(), 1e-9), 0.3 / max(abs(step[4]), 1e-9), 0.1 / max(abs(step[1]), 1e-9))
            new = th + limit * step
            new[1] = np.clip(new[1], 0.5, 0.97)
            c1 = cost(new, var)
            if c1 < c0:
                improved = c0 - c1
                lam = max(lam * 0.1, 1e-7)
                th = new
                break
            lam = max(lam * 10, 1e-3)
        if improved < 1e-2:
            break
    st = model(th)
    return th, cost(th, var, st), (st, jac(th, st), prec, mean, var)


def _shaft(kind, th, sm, extra, opt, *, ambiguous):
    st, J, prec, mean, var = extra
    res = sm.y - st[0]
    sd_res = 1.4826 * float(np.median(np.abs(res)))
    w = np.minimum(1, opt.huber * sd_res / np.maximum(np.abs(res), 1e-12)) / sd_res**2
    ne = sm.es.count
    ie, ib = _FIXED, _FIXED + ne
    cov = np.linalg.inv((J * w[:, None]).T @ J + prec)
    radius = float(np.exp(th[0]))
    ratio = float(th[1])
    curve = sm.curve
    count = max(int(curve.length // opt.window_px), 1)
    edges = np.linspace(0, curve.length, count + 1)
    dev, expected = [], []
    xr = sm.x / sm.reach
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        m = (sm.s >= a) & (sm.s < b)
        jj = np.column_stack([J[m, 0], J[m, ie:ib].sum(1), np.ones(m.sum()), xr[m], xr[m] ** 2])
        n = (jj * w[m][:, None]).T @ jj + 1e-9 * np.eye(jj.shape[1])
        dev.append(2 * radius * np.linalg.solve(n, (jj * w[m][:, None]).T @ res[m])[0])
        expected.append(2 * radius * np.sqrt(np.linalg.inv(n)[0, 0]))
    axis = sm.axis(th)
    wall = radius * (1 + th[5] * (curve.position / curve.length - 0.5))
    grad = np.array([2 * radius * ratio, 2 * radius])
    attenuation_wall, attenuation_lumen, _ = _parts(kind, th[2])
    return Shaft(
        outer_px=2 * radius,
        outer_sd_px=2 * radius * float(np.sqrt(cov[0, 0])),
        inner_px=2 * radius * ratio,
        inner_sd_px=float(np.sqrt(grad @ cov[:2, :2] @ grad)),
        length_px=curve.length,
        taper=float(th[5]),
        taper_sd=float(np.sqrt(cov[5, 5])),
        spread_px=float(np.std(dev, ddof=1)) if count > 1 else float("nan"),
        spread_expected_px=float(np.sqrt(np.mean(np.square(expected)))),
        filled=kind != EMPTY,
        visible=bool(th[3] / max(np.sqrt(cov[3, 3]), 1e-12) > 5),
        ambiguous=ambiguous,
        amplitude_outer=float(th[3] * attenuation_wall),
        amplitude_inner=float(th[3] * attenuation_lumen),
        sigma_px=st[5],
        chi2=float((w * res**2).mean()),
        axis=axis,
        left=axis - wall[:, None] * curve.normal,
        right=axis + wall[:, None] * curve.normal,
    )
