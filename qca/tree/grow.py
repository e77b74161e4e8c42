"""From rough paths to fitted limbs: fit, find the branching point, lay the limbs anew from there, fit again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from qca.tree.trace import Crop, first_radius
from qca.tube.curve import Curve, curve_through
from qca.tube.joint import FitOptions, JointFit, LimbState, fit
from qca.tube.spline import Spline

Array = npt.NDArray[np.float64]


def lay_limb(curve: Curve, radius: Array, opt: FitOptions) -> LimbState:
    L = curve.length
    rs = Spline.over(L, opt.radius_knot_px)
    es = Spline.over(L, opt.offset_knot_px)
    gs = Spline.over(L, opt.gain_knot_px)
    return LimbState(curve, rs, es, gs, rs.fit(curve.position, radius, 0.5), np.zeros(es.count), np.zeros(gs.count))


def centreline(limb: LimbState) -> Array:
    """Fitted centreline at the samples of the base curve, (N, 2)."""
    e = limb.e_spline.matrix(limb.curve.position) @ limb.e
    return limb.curve.points + e[:, None] * limb.curve.normal


def radius(limb: LimbState) -> Array:
    return limb.r_spline.matrix(limb.curve.position) @ limb.r


def mouth_index(limbs, i) -> int:
    """First sample of limb i whose two walls lie outside the other limbs."""
    pts = centreline(limbs[i])
    r = radius(limbs[i])
    c = limbs[i].curve
    inside = np.zeros(len(pts), bool)
    for j, other in enumerate(limbs):
        if j == i:
            continue
        for sign in (-1, 1):
            wall = pts + sign * r[:, None] * c.normal
            s, x = other.curve.locate(wall)
            rr = np.interp(s, other.curve.position, radius(other))
            ee = np.interp(s, other.curve.position, other.e_spline.matrix(other.curve.position) @ other.e)
            inside |= (np.abs(x - ee) < rr) & (s > 0) & (s < other.curve.length)
    k = np.flatnonzero(inside)
    return int(min(k[-1] + 1, len(pts) - 2)) if len(k) else 0


def branching_point(limbs, stretch_px: float) -> Array:
    """Least-squares meeting point of the limbs' centrelines, each extended straight from beyond its mouth."""
    a = np.zeros((2, 2))
    b = np.zeros(2)
    for i, l in enumerate(limbs):
        p = centreline(l)
        k = mouth_index(limbs, i)
        q = p[k:k + int(stretch_px / l.curve.step)]
        if len(q) < 5:
            q = p[-5:]
        # quadratic extrapolated to the old branching point's neighbourhood
        s = (np.arange(len(q))) * l.curve.step
        deg = 1 
        cr = np.polyfit(s, q[:, 0], deg)
        cc = np.polyfit(s, q[:, 1], deg)
        at = 0.0
        p0 = np.array([np.polyval(cr, at), np.polyval(cc, at)])
        t = np.array([np.polyval(np.polyder(cr), at), np.polyval(np.polyder(cc), at)])
        t /= np.linalg.norm(t)
        n = np.array([t[1], -t[0]])
        w = len(q)
        a += w * np.outer(n, n)
        b += w * n * (n @ p0)
    a += 1e-3 * np.eye(2)
    b += 1e-3 * limbs[0].curve.points[0]
    return np.linalg.solve(a, b)


def grow(crop: Crop, paths, opt: FitOptions, verbose=False, rounds=3, iters=(5, 5, 8), smooth0=5.0, exclude=None):
    tree = len(paths) == 3
    curves = [curve_through(p, smooth0) for p in paths]
    limbs = []
    radii = [first_radius(crop.image, c.points, c.normal, 24) for c in curves]
    for i, (c, r) in enumerate(zip(curves, radii)):
        if tree:
            k = min(int(1.3 * np.median(np.concatenate(radii))), len(r) - 3)
            r = r.copy()
            r[:k] = np.median(r[k:k + 10])
        limbs.append(lay_limb(c, r, opt))
    kw = {}
    f = None
    for rnd in range(rounds):
        core = float(np.median(radius(limbs[0])[:12])) if tree else 0.0
        f = fit(crop.image, limbs, opt, valid=crop.valid, bifurcation=tree, core_px=core, iterations=iters[rnd], verbose=verbose, exclude=exclude, **kw)
        if rnd == rounds - 1:
            break
        fitted = f.limbs
        new = []
        b = branching_point(fitted, 25.0) if tree else None
        for i, l in enumerate(fitted):
            p = centreline(l)
            r = radius(l)
            if tree:
                k = mouth_index(fitted, i)
                k = min(k, len(p) - 8)
                # leave out samples that lie behind the new branching point
                ahead = (p[k:] - b) @ l.curve.tangent[k] > 2.0
                p2 = np.vstack([b, p[k:][ahead]])
                s_old = np.concatenate([[0.0], l.curve.position[k:][ahead]])
                c = curve_through(p2, 3.0)
                # map radius through distance to the outer end
                rr = np.interp(c.position - c.length, l.curve.position - l.curve.length, r)
                k2 = np.searchsorted(c.position, max(c.length - (l.curve.length - l.curve.position[k]), 0))
                rr[:k2] = np.clip(rr[:k2], 0.6 * rr[min(k2, len(rr) - 1)], 1.6 * rr[min(k2, len(rr) - 1)])
            else:
                c = curve_through(p, 2.0)
                rr = np.interp(c.position, l.curve.position * c.length / l.curve.length, r)
            new.append(lay_limb(c, np.maximum(rr, 0.4), opt))
        limbs = new
        kw = dict(log_k=f.log_k, bend=f.bend, log_sigma=f.log_sigma)
    return f
