"""One maximum-a-posteriori fit of all limbs of a vessel tree to the pixels of a frame.

Strategy
--------
Every pixel near a limb is predicted as::

    v = B - (k exp(g) + m (B - B0)) * E

``B`` is a smooth background (bicubic spline over the plane), ``E`` the blurred opacity (:mod:`qca.tube.chord`) of the union of
the limbs, ``k`` the contrast in grey levels per px of chord, ``g`` a slow variation of it along a limb, ``m`` the bending that
stands for attenuation, scatter pedestal and grey mapping together. Limbs are curves with lateral offsets ``e(s)`` and radii
``r(s)``, both cubic splines. Where limbs overlap, coplanar lumens share the longer chord, so ``E`` is their maximum, blurred
like the image (Clark's formula for the mean of a maximum).

Gauss-Newton steps on all parameters together; the strengths of the smoothness priors (radius, centreline, contrast,
background) are set by the evidence (MacKay's fixed point), the noise by the residuals.

Axes: P pixels, Q parameters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from qca.tube.chord import blurred_opacity
from qca.tube.curve import Curve
from qca.tube.spline import Spline

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FitOptions:
    """Numbers of the fit that are not measured; lengths in px."""

    margin_px: float = 11.0
    radius_knot_px: float = 2.0
    offset_knot_px: float = 5.0
    gain_knot_px: float = 16.0
    background_knot_px: float = 14.0
    sigma_prior_px: float = 1.0
    sigma_prior_log_sd: float = 0.5
    bend_prior_per_px: float = 0.015
    bend_prior_sd_per_px: float = 0.02
    gain_level_sd: float = 0.05
    iterations: int = 14
    huber: float = 3.0
    adapt: bool = True


@dataclass
class LimbState:
    curve: Curve
    r_spline: Spline
    e_spline: Spline
    g_spline: Spline
    r: Array
    e: Array
    g: Array


class Local:
    """Pixels near one limb and their bases."""

    def __init__(self, limb: LimbState, pixels: Array, reach: Array) -> None:
        s, x = limb.curve.locate(pixels)
        n = len(limb.curve.points)
        near = (s >= 0) & (s <= limb.curve.length)
        k = np.clip(np.round(s / limb.curve.step).astype(int), 0, n - 1)
        near &= np.abs(x) <= reach[k]
        self.pix = np.flatnonzero(near)
        self.s, self.x = s[near], x[near]
        self.rc, self.rb = limb.r_spline.basis(self.s)
        self.r2 = limb.r_spline.second(self.s)[1]
        self.ec, self.eb = limb.e_spline.basis(self.s)
        self.gc, self.gb = limb.g_spline.basis(self.s)
        self.normal = limb.curve.normal[k[near]]


def spline_eval(cell, basis, coef):
    return (coef[cell[:, None] + np.arange(4)] * basis).sum(1)


class Plane:
    """Bicubic spline background over the pixels used."""

    def __init__(self, pixels: Array, knot: float) -> None:
        lo, hi = pixels.min(0), pixels.max(0)
        self.lo = lo
        self.sr = Spline.over(max(hi[0] - lo[0], 1.0), knot)
        self.sc = Spline.over(max(hi[1] - lo[1], 1.0), knot)
        cr, br = self.sr.basis(pixels[:, 0] - lo[0])
        cc, bc = self.sc.basis(pixels[:, 1] - lo[1])
        full = (cr[:, None] + np.arange(4))[:, :, None] * self.sc.count + (cc[:, None] + np.arange(4))[:, None, :]
        full = full.reshape(len(pixels), 16)
        self.used, inv = np.unique(full, return_inverse=True)
        self.col = inv.reshape(full.shape)
        self.val = (br[:, :, None] * bc[:, None, :]).reshape(len(pixels), 16)
        self.count = len(self.used)
        # roughness: second differences along both axes and the mixed one among used coefficients
        lookup = -np.ones(self.sr.count * self.sc.count, dtype=int)
        lookup[self.used] = np.arange(self.count)
        grid = lookup.reshape(self.sr.count, self.sc.count)
        rows = []
        for trip in (
            np.stack([grid[:-2], grid[1:-1], grid[2:]], -1).reshape(-1, 3),
            np.stack([grid[:, :-2], grid[:, 1:-1], grid[:, 2:]], -1).reshape(-1, 3),
        ):
            ok = (trip >= 0).all(1)
            for a, b, c in trip[ok]:
                v = np.zeros(self.count)
                v[[a, b, c]] = (1, -2, 1)
                rows.append(v)
        quad = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[:-1, 1:], grid[1:, 1:]], -1).reshape(-1, 4)
        for q in quad[(quad >= 0).all(1)]:
            v = np.zeros(self.count)
            v[q] = np.sqrt(2) * np.array((1, -1, -1, 1))
            rows.append(v)
        d = np.array(rows) if rows else np.zeros((0, self.count))
        self.penalty = d.T @ d
        self.rank = int(np.linalg.matrix_rank(self.penalty)) if len(rows) else 0


def second_difference(n):
    return np.diff(np.eye(n), 2, axis=0)


@dataclass
class JointFit:
    limbs: list[LimbState]
    log_k: float
    bend: float
    log_sigma: float
    cov: Array
    H: Array
    sl: dict
    resid: Array
    var: Array
    pixels: Array
    locals: list
    opacity: Array
    weight: Array
    chi2: float
    hyper: dict
    model: Array
    info: dict = field(default_factory=dict)


def fit(image, limbs: Sequence[LimbState], opt: FitOptions, *, valid=None, bifurcation=False, core_px=0.0,
        log_k=None, bend=None, log_sigma=None, hyper=None, iterations=None, verbose=False, exclude=None,
        var_model=None):
    from scipy.linalg import cho_factor, cho_solve, cho_solve as _cs
    from scipy.sparse import csr_matrix

    limbs = [LimbState(l.curve, l.r_spline, l.e_spline, l.g_spline, l.r.copy(), l.e.copy(), l.g.copy()) for l in limbs]
    # pixels in play
    rows, cols = image.shape
    mask = np.zeros(image.shape, bool)
    reaches = []
    for l in limbs:
        rr = l.r_spline.matrix(l.curve.position) @ l.r
        reach = np.maximum(rr, 0.5) + opt.margin_px
        reaches.append(reach)
        R = int(np.ceil(reach.max())) + 1
        for p, q in zip(np.round(l.curve.points).astype(int), reach):
            R = int(np.ceil(q)) + 1
            mask[max(p[0] - R, 0):p[0] + R + 1, max(p[1] - R, 0):p[1] + R + 1] = True
    if valid is not None:
        mask &= valid
    cand = np.argwhere(mask).astype(float)
    locs = [Local(l, cand, q) for l, q in zip(limbs, reaches)]
    keep = np.zeros(len(cand), bool)
    for lo in locs:
        keep[lo.pix] = True
    # ambiguous end zones: behind the branching point of a limb, or beyond its end
    for l, q in zip(limbs, reaches):
        s, x = l.curve.locate(cand)
        r_end = float((l.r_spline.matrix(np.array([l.curve.length])) @ l.r)[0])
        keep &= ~((s > l.curve.length) & (s < l.curve.length + 25) & (np.abs(x) < r_end + 3))
        if not bifurcation:
            keep &= ~((s < 0) & (s > -25) & (np.abs(x) < l.r[0] + 3))
    if bifurcation:
        b = limbs[0].curve.points[0]
        keep &= np.hypot(*(cand - b).T) > core_px
    if exclude is not None:
        keep &= ~exclude[cand[:, 0].astype(int), cand[:, 1].astype(int)]
    cand = cand[keep]
    locs = [Local(l, cand, q) for l, q in zip(limbs, reaches)]
    P = len(cand)
    y = image[cand[:, 0].astype(int), cand[:, 1].astype(int)]
    plane = Plane(cand, opt.background_knot_px)

    # layout
    sl = {}
    at = 0

    def take(name, n):
        nonlocal at
        sl[name] = slice(at, at + n)
        at += n

    for i, l in enumerate(limbs):
        take(f"r{i}", l.r_spline.count)
        take(f"e{i}", l.e_spline.count)
        take(f"g{i}", l.g_spline.count)
    take("log_k", 1)
    take("bend", 1)
    take("log_sigma", 1)
    take("B", plane.count)
    if bifurcation:
        take("b", 2)
    Q = at
    theta = np.zeros(Q)
    for i, l in enumerate(limbs):
        theta[sl[f"r{i}"]] = l.r
        theta[sl[f"e{i}"]] = l.e
        theta[sl[f"g{i}"]] = l.g
    # initial background: robust from outer pixels
    out = np.ones(P, bool)
    for l, lo in zip(limbs, locs):
        out[lo.pix[np.abs(lo.x) < spline_eval(lo.rc, lo.rb, l.r) + 2.5]] = False
    A = csr_matrix((plane.val.ravel(), plane.col.ravel(), np.arange(0, 16 * P + 1, 16)), shape=(P, plane.count))
    Ao = A[out]
    Bc = np.full(plane.count, np.median(y[out]))
    wB = np.ones(out.sum())
    for _ in range(3):
        N = (Ao.T @ Ao.multiply(wB[:, None])).toarray() + 1.0 * plane.penalty + 1e-6 * np.eye(plane.count)
        Bc = np.linalg.solve(N, Ao.T @ (wB * y[out]) + 1e-6 * np.median(y[out]))
        res = y[out] - Ao @ Bc
        sd = 1.4826 * np.median(np.abs(res)) + 1e-9
        wB = 1 / np.maximum(1, np.abs(res) / (2 * sd))
    theta[sl["B"]] = Bc
    B0 = float(np.median(y[out]))
    noise0 = sd
    if log_sigma is None:
        log_sigma = np.log(opt.sigma_prior_px)
    if bend is None:
        bend = opt.bend_prior_per_px
    theta[sl["bend"]] = bend
    theta[sl["log_sigma"]] = log_sigma
    if hyper is None:
        hyper = dict(
            r=[np.full(l.r_spline.count - 2, 1 / (0.003 * l.r_spline.spacing**3)) for l in limbs],
            e=1 / (0.0005 * limbs[0].e_spline.spacing**3),
            g=1 / 0.02**2,
            B=1 / (3 * noise0) ** 2,
        )
    var = np.full(P, noise0**2) if var_model is None else None

    def opacity(th, want=True):
        """union opacity and partials per limb"""
        sigma = float(np.exp(th[sl["log_sigma"]][0]))
        m = float(th[sl["bend"]][0])
        E = np.zeros((len(limbs), P))
        parts = []
        for i, (l, lo) in enumerate(zip(limbs, locs)):
            r = spline_eval(lo.rc, lo.rb + 0.5 * sigma**2 * lo.r2, th[sl[f"r{i}"]])
            x = lo.x - spline_eval(lo.ec, lo.eb, th[sl[f"e{i}"]])
            r = np.maximum(r, 0.15)
            act = np.flatnonzero(np.abs(x) < r + 4.5 * sigma)
            o = blurred_opacity(x[act], r[act], sigma, m, nodes=16)
            E[i, lo.pix[act]] = o.value
            parts.append((act, o))
        if len(limbs) == 1:
            return E[0], [np.ones(P)], parts, sigma, m
        # Clark maximum, limb after limb, with gradients for the spread
        G = np.zeros((len(limbs), P, 2))
        for i, (lo, (act, o)) in enumerate(zip(locs, parts)):
            G[i, lo.pix[act]] = o.d_x[:, None] * lo.normal[act]
        from scipy.special import ndtr
        cur, gcur = E[0].copy(), G[0].copy()
        wts = [np.ones(P)] + [np.zeros(P) for _ in limbs[1:]]
        for i in range(1, len(limbs)):
            both = np.flatnonzero((cur > 0) & (E[i] > 0))
            only = (cur <= 0) & (E[i] > 0)
            d = cur[both] - E[i][both]
            spread = sigma * np.linalg.norm(gcur[both] - G[i][both], axis=1) + 1e-6
            z = d / spread
            p = ndtr(z)
            phi = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
            cur[both] = E[i][both] + d * p + spread * phi
            gcur[both] = p[:, None] * gcur[both] + (1 - p)[:, None] * G[i][both]
            for j in range(i):
                wts[j][both] *= p
                wts[j][only] = 0
            wts[i][both] = 1 - p
            wts[i][only] = 1
            cur[only] = E[i][only]
            gcur[only] = G[i][only]
        return cur, wts, parts, sigma, m

    def predict(th):
        E, wts, parts, sigma, m = opacity(th)
        B = A @ th[sl["B"]]
        g = np.zeros(P)
        for i, lo in enumerate(locs):
            g[lo.pix] += wts[i][lo.pix] * spline_eval(lo.gc, lo.gb, th[sl[f"g{i}"]])
        k = np.exp(th[sl["log_k"]][0])
        amp = k * np.exp(g) + m * (B - B0)
        return B - amp * E, E, wts, parts, sigma, m, B, g, k, amp

    def jacobian(state):
        v, E, wts, parts, sigma, m, B, g, k, amp = state
        R, C, V = [], [], []

        def put(rows_, cols_, vals_):
            R.append(np.broadcast_to(rows_, vals_.shape).ravel())
            C.append(np.broadcast_to(cols_, vals_.shape).ravel())
            V.append(vals_.ravel())

        four = np.arange(4)
        d_sigma = np.zeros(P)
        d_m = np.zeros(P)
        for i, (lo, (act, o)) in enumerate(zip(locs, parts)):
            pix = lo.pix[act]
            w = wts[i][pix]
            use = w > 1e-5
            a2, pix, w = act[use], pix[use], w[use]
            up = -amp[pix] * w
            put(pix[:, None], sl[f"r{i}"].start + lo.rc[a2][:, None] + four,
                (up * o.d_r[use])[:, None] * (lo.rb[a2] + 0.5 * sigma**2 * lo.r2[a2]))
            put(pix[:, None], sl[f"e{i}"].start + lo.ec[a2][:, None] + four, (-up * o.d_x[use])[:, None] * lo.eb[a2])
            put(pix[:, None], sl[f"g{i}"].start + lo.gc[a2][:, None] + four,
                (-k * np.exp(g[pix]) * E[pix] * w)[:, None] * lo.gb[a2])
            d_sigma[pix] += w * o.d_sigma[use]
            d_m[pix] += w * o.d_m[use]
        on = np.flatnonzero(E > 0)
        put(on, np.array(sl["log_k"].start), -k * np.exp(g[on]) * E[on])
        put(on, np.array(sl["bend"].start), -(B[on] - B0) * E[on] - amp[on] * d_m[on])
        put(on, np.array(sl["log_sigma"].start), -amp[on] * d_sigma[on] * sigma)
        put(np.arange(P)[:, None], sl["B"].start + plane.col, plane.val * (1 - m * E)[:, None])
        return csr_matrix((np.concatenate(V), (np.concatenate(R), np.concatenate(C))), shape=(P, Q))

    def priors(th):
        H = np.zeros((Q, Q))
        grad = np.zeros(Q)  # gradient of -log prior
        for i, l in enumerate(limbs):
            D = second_difference(l.r_spline.count)
            a = sl[f"r{i}"]
            K = D.T @ (hyper["r"][i][:, None] * D)
            H[a, a] += K
            grad[a] += K @ th[a]
            a = sl[f"e{i}"]
            D = second_difference(l.e_spline.count)
            h = l.e_spline.spacing
            kappa = np.interp((np.arange(l.e_spline.count - 2) ) * h, l.curve.position, l.curve.curvature)
            d = D @ th[a] + kappa * h * h
            H[a, a] += hyper["e"] * D.T @ D
            grad[a] += hyper["e"] * D.T @ d
            a = sl[f"g{i}"]
            D = np.diff(np.eye(l.g_spline.count), axis=0)
            K = hyper["g"] * D.T @ D + np.ones((l.g_spline.count,) * 2) / (l.g_spline.count * opt.gain_level_sd) ** 2
            H[a, a] += K
            grad[a] += K @ th[a]
        j = sl["bend"].start
        H[j, j] += 1 / opt.bend_prior_sd_per_px**2
        grad[j] += (th[j] - opt.bend_prior_per_px) / opt.bend_prior_sd_per_px**2
        j = sl["log_sigma"].start
        H[j, j] += 1 / opt.sigma_prior_log_sd**2
        grad[j] += (th[j] - np.log(opt.sigma_prior_px)) / opt.sigma_prior_log_sd**2
        a = sl["B"]
        H[a, a] += hyper["B"] * plane.penalty
        grad[a] += hyper["B"] * plane.penalty @ th[a]
        if bifurcation:
            a = sl["b"]
            for i, l in enumerate(limbs):
                row = np.zeros(Q)
                c, w = l.e_spline.basis(np.zeros(1))
                row[sl[f"e{i}"].start + c[0] + np.arange(4)] = w[0]
                row[a] = -l.curve.normal[0]
                H += np.outer(row, row) / 0.05**2
                grad += row * (row @ th) / 0.05**2
            H[a, a] += np.eye(2) / 5.0**2
            grad[a] += th[a] / 5.0**2
        return H, grad

    # initial contrast
    if log_k is None:
        theta[sl["log_k"]] = 0.0
        E = opacity(theta)[0]
        B = A @ theta[sl["B"]]
        on = E > 0.3 * E.max()
        kk = np.median((B - y)[on] / E[on])
        theta[sl["log_k"]] = np.log(max(kk, 1e-3 * noise0))
    else:
        theta[sl["log_k"]] = log_k

    corr = 1.0
    lam = 1e-3
    cost_old = None
    weight = np.ones(P)
    n_it = iterations or opt.iterations
    for it in range(n_it):
        state = predict(theta)
        v, E = state[0], state[1]
        res = y - v
        # noise: variance linear in the model value, robust
        if it in (0, 2, 4) or it % 4 == 0:
            var = noise_model(res, v, var)
        z = res / np.sqrt(var)
        weight = np.minimum(1, opt.huber / np.maximum(np.abs(z), 1e-9))
        J = jacobian(state)
        W = weight / var / corr
        JW = J.multiply(W[:, None]).tocsr()
        JtJ = (JW.T @ J).toarray()
        Hp, gp = priors(theta)
        grad = JW.T @ res - gp
        H = JtJ + Hp
        damp = lam * np.diag(np.diag(JtJ)) + 1e-9 * np.diag(np.diag(H))
        cf = cho_factor(H + damp)
        step = cho_solve(cf, grad)
        # limits
        lim = 1.0
        for i in range(len(limbs)):
            lim = min(lim, 2.0 / max(np.abs(step[sl[f"r{i}"]]).max(), 1e-9), 3.0 / max(np.abs(step[sl[f"e{i}"]]).max(), 1e-9))
        lim = min(lim, 0.4 / max(abs(step[sl["log_k"]][0]), 1e-9), 0.3 / max(abs(step[sl["log_sigma"]][0]), 1e-9), 0.02 / max(abs(step[sl["bend"]][0]), 1e-9))
        theta = theta + lim * step
        for i in range(len(limbs)):
            theta[sl[f"r{i}"]] = np.maximum(theta[sl[f"r{i}"]], 0.2)
        if verbose:
            print(it, "chi2/P", (weight * z * z).mean().round(3), "lim", round(lim, 3), "k", np.exp(theta[sl["log_k"]][0]).round(3), "m", theta[sl["bend"]][0].round(4),
                  "sig", np.exp(theta[sl["log_sigma"]][0]).round(3), "hyper", [float(np.median(h).round(2)) for h in hyper["r"]], round(hyper["e"], 2), round(hyper["g"], 1), hyper["B"])
        if it >= 2:
            # evidence updates with the covariance at this point
            Hinv = np.linalg.inv(H)
            update_hyper(hyper, theta, Hinv, limbs, sl, plane, opt)
    state = predict(theta)
    v, E = state[0], state[1]
    res = y - v
    J = jacobian(state)
    z = res / np.sqrt(var)
    weight = np.minimum(1, opt.huber / np.maximum(np.abs(z), 1e-9))
    JW = J.multiply((weight / var)[:, None]).tocsr()
    JtJ = (JW.T @ J).toarray()
    Hp, gp = priors(theta)
    H = JtJ + Hp
    cov = np.linalg.inv(H)
    for i, l in enumerate(limbs):
        l.r, l.e, l.g = theta[sl[f"r{i}"]], theta[sl[f"e{i}"]], theta[sl[f"g{i}"]]
    return JointFit(limbs, float(theta[sl["log_k"]][0]), float(theta[sl["bend"]][0]), float(theta[sl["log_sigma"]][0]), cov, JtJ, sl,
                    res, var, cand, locs, E, weight, float((z * z * weight).mean()), hyper, v, dict(plane=plane, Q=Q, P=P, theta=theta, B=state[6], wts=state[2]))


def noise_model(res, v, var_old):
    """Variance linear in the grey level, from the residuals; robust to a few large ones."""
    q = np.quantile(v, [0.02, 0.98])
    z2 = res**2
    clip = (3 * 1.4826 * np.median(np.abs(res))) ** 2
    use = z2 < clip * 2
    a = np.column_stack([np.ones(use.sum()), v[use] - q[0]])
    s2 = 1.4826**2 * np.median(np.abs(res)) ** 2
    w = np.full(use.sum(), 1.0)
    for _ in range(3):
        coef = np.linalg.lstsq(a * w[:, None], z2[use] * w, rcond=None)[0]
        pred = np.maximum(a @ coef, 0.2 * s2)
        w = 1 / pred
    out = coef[0] + coef[1] * (np.clip(v, *q) - q[0])
    return np.maximum(out, 0.2 * s2) * 1.0


def update_hyper(hyper, theta, Hinv, limbs, sl, plane, opt):
    for i, l in enumerate(limbs):
        a = sl[f"r{i}"]
        D = second_difference(l.r_spline.count)
        d = D @ theta[a]
        S = np.einsum("ij,jk,ik->i", D, Hinv[a, a], D)
        e2 = d * d + S
        floor = 2e-6 * l.r_spline.spacing**4
        if opt.adapt:
            # local variance: heavy-tailed (Student) second differences, pooled over neighbours
            pooled = e2.mean()
            kern = np.array([0.25, 0.5, 1, 0.5, 0.25])
            num = np.convolve(e2, kern, "same") + 1.0 * pooled_mode(e2)
            den = np.convolve(np.ones_like(e2), kern, "same") + 1.0
            hyper["r"][i] = 1 / np.maximum(num / den, floor)
        else:
            hyper["r"][i] = np.full(len(d), 1 / max(e2.mean(), floor))
    num = den = 0.0
    for i, l in enumerate(limbs):
        a = sl[f"e{i}"]
        D = second_difference(l.e_spline.count)
        h = l.e_spline.spacing
        kappa = np.interp(np.arange(l.e_spline.count - 2) * h, l.curve.position, l.curve.curvature)
        d = D @ theta[a] + kappa * h * h
        S = np.einsum("ij,jk,ik->i", D, Hinv[a, a], D)
        num += (d * d + S).sum()
        den += len(d)
    hyper["e"] = 1 / max(num / den, 1e-5)
    num = den = 0.0
    for i, l in enumerate(limbs):
        a = sl[f"g{i}"]
        D = np.diff(np.eye(l.g_spline.count), axis=0)
        d = D @ theta[a]
        S = np.einsum("ij,jk,ik->i", D, Hinv[a, a], D)
        num += (d * d + S).sum()
        den += len(d)
    hyper["g"] = 1 / np.clip((num + 4 * 0.01**2) / (den + 4), 1e-6, 0.05**2)
    a = sl["B"]
    gamma = plane.rank - hyper["B"] * np.trace(Hinv[a, a] @ plane.penalty)
    hyper["B"] = float(np.clip(max(gamma, 1.0) / max(theta[a] @ plane.penalty @ theta[a], 1e-9), 1e-8, 1e8))


def pooled_mode(e2):
    return float(np.median(e2))
