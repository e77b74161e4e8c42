"""Opacity of a blurred tube with nothing in it, as an empty catheter is.

Attenuations add up before they bend. A tube with the chord ``c`` less that of its hole ``h`` has the opacity ``(1 -
exp(-m (c - h))) / m``, which is no difference of two cylinders' opacities: that is too little by ``m h``, a tenth and
more of it, in the middle, and takes a thick wall for a thin one.

Like a cylinder's (:mod:`qca.tube.chord`) the profile is a stack of slabs, each of which blurs to a difference of two
normal integrals. With half chords as variables, in units of the outer radius, the stack has no singularity: outside the
hole it grows inwards with the half chord ``s``, over the hole it shrinks again as the hole's half chord grows.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from qca.tube.chord import Opacity

Array = npt.NDArray[np.float64]

_STEP = 1e-5
"""Step of the ratio by which a stack's slabs are differentiated."""
_FEWEST, _PER_BLUR = 12, 1.6
"""Slabs over the hole: at least, and per blur of radius. Good to 1e-4 of the peak."""


def blurred_hollow(x: Array, r: Array, ratio: float, sigma: float, m: float) -> tuple[Opacity, Opacity]:
    """Opacity of a blurred tube, and how its hole changes it.

    Parameters
    ----------
    x : ndarray, shape (N,)
        Lateral distance from the axis, px.
    r : ndarray, shape (N,)
        Outer radius, px, positive.
    ratio : float
        Inner over outer radius, between 0 and 1.
    sigma : float
        Blur, px, positive.
    m : float
        Bending, 1/px.

    Returns
    -------
    outer : Opacity
        That of the tube, ``d_r`` by its outer radius while the hole stays.
    inner : Opacity
        All zero but ``d_r``, by the hole's radius: the first less this one changes as the tube does.
    """
    from scipy.special import ndtr

    count = max(_FEWEST, math.ceil(_PER_BLUR * float(r.max(initial=1.0)) / sigma))
    weight, depth, width = _slabs(ratio, count)
    d_weight, d_depth, d_width = (
        (after - before) / (2 * _STEP)
        for after, before in zip(_slabs(ratio + _STEP, count), _slabs(ratio - _STEP, count), strict=True)
    )
    out = r[:, None]
    plus, minus = (x[:, None] + out * width) / sigma, (x[:, None] - out * width) / sigma
    slab = ndtr(plus) - ndtr(minus)
    norm = 1 / math.sqrt(2 * math.pi)
    g_plus, g_minus = norm * np.exp(-0.5 * plus * plus), norm * np.exp(-0.5 * minus * minus)
    passed = np.exp(-2 * m * out * depth)
    scaled = out * weight * passed
    edge = scaled * (g_plus + g_minus) / sigma
    by_size = (weight * passed * (1 - 2 * m * out * depth) * slab).sum(1) + (edge * width).sum(1)
    by_ratio = (out * passed * (d_weight - 2 * m * out * weight * d_depth) * slab).sum(1) + (edge * d_width).sum(1) * r
    by_hole = by_ratio / r
    nothing = np.zeros_like(r)
    outer = Opacity(
        (scaled * slab).sum(1),
        (scaled * (g_plus - g_minus)).sum(1) / sigma,
        by_size - ratio * by_hole,
        (scaled * (minus * g_minus - plus * g_plus)).sum(1) / sigma,
        -2 * (scaled * out * depth * slab).sum(1),
    )
    return outer, Opacity(nothing, nothing, -by_hole, nothing, nothing)


@lru_cache(maxsize=4)
def _legendre(count: int) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights on (0, 1)."""
    t, w = np.polynomial.legendre.leggauss(count)
    return (t + 1) / 2, w / 2


def _slabs(ratio: float, count: int) -> tuple[Array, Array, Array]:
    """Slabs of a tube of outer radius 1: what each adds, the half chord at its edge, and its half width, each (M,)."""
    share = math.sqrt(1 - ratio * ratio)
    node, w = _legendre(max(_FEWEST // 2, count // 2))
    beside = share * node
    angle, part = (math.pi / 2 * values for values in _legendre(count))
    hole = ratio * np.cos(angle)
    whole = np.sqrt(share * share + hole * hole)
    return (
        np.concatenate([2 * share * w, 2 * part * ratio * np.sin(angle) * (hole / whole - 1)]),
        np.concatenate([beside, whole - hole]),
        np.concatenate([np.sqrt(1 - beside * beside), ratio * np.sin(angle)]),
    )
