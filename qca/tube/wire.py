"""A guide wire in the lumen: a thin dark line on top of the vessel's own shade.

A wire takes away a part of what the contrast let pass. In units of opacity (:mod:`qca.tube.chord`), with ``E`` that of
the lumen and ``P`` that of the wire alone::

    T = E + P - m E P

A wire of 0.36 mm is thinner than the blur, so its profile is a normal curve a little wider than the blur, and one
number, its area ``A``, says how dark it is. It lies at ``e + f (r - r_w)`` across the limb: ``f`` is 0 on the axis and
1 or -1 where it touches a wall, which holds it inside the lumen and on the axis of a tight lesion, where nobody can see
where it lies.

Axes: P pixels, N pixels near one limb, W wires.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from qca.tube.band import Array, Mask
from qca.tube.limb import Limb
from qca.tube.spline import Spline

_WIDTH = 1.08
"""SD of the wire's blurred profile over that of the blur: the profile of a round wire has an SD of a quarter of its
diameter, 0.09 mm, and blurs have 0.15-0.3 mm."""
_RADIUS_PX = 0.9
"""Of the wire, 0.18 mm at 0.2 mm per px; says only how close to a wall it can come."""
KNOT_PX = 12.0
"""A wire is stiff."""


@dataclass(frozen=True, slots=True)
class Strand:
    """A wire's stretch in one limb.

    Parameters
    ----------
    limb : int
        Which.
    spline : Spline
        Over the limb's arc length.
    f : ndarray, shape (spline.count,)
        Coefficients of the place across the lumen, -1 to 1.
    """

    limb: int
    spline: Spline
    f: Array

    @classmethod
    def along(cls, limb: int, length: float, f: float = 0.0) -> Strand:
        """Strand all along a limb of this length, px, at one place across it."""
        spline = Spline.over(length, KNOT_PX)
        return cls(limb, spline, np.full(spline.count, f))

    def points(self, limb: Limb, s: Array) -> Array:
        """Where it runs at arc lengths ``s`` (M,) of its fitted limb, px: (M, 2), (row, column)."""
        base, normal = limb.curve.at(s)
        across = limb.offset(s) + self.spline.values(s, self.f) * np.maximum(limb.radius(s) - _RADIUS_PX, 0.0)
        return np.asarray(base + across[:, None] * normal)

    def relaid(self, length: float) -> Strand:
        """Give the same on a limb laid anew with another length, px; distances from the outer end stay."""
        spline = Spline.over(length, KNOT_PX)
        at = np.arange(spline.count) * spline.spacing - length
        old = np.arange(len(self.f)) * self.spline.spacing - self.spline.length
        return replace(self, spline=spline, f=np.interp(at, old, self.f))


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire: the area of its profile, opacity times width, px^2, and its strands, the proximal limb's first.

    ``broad`` is how many times as broad as a wire it is, for a line that may be none.
    """

    area: float
    strands: tuple[Strand, ...]
    broad: float = 1.0

    def relaid(self, lengths: Sequence[float]) -> Wire:
        """Give the same on limbs of these lengths, px."""
        return replace(self, strands=tuple(strand.relaid(lengths[strand.limb]) for strand in self.strands))


class Shade(NamedTuple):
    """What one strand adds at the N pixels near its limb.

    ``value`` is its opacity, px; ``d_x`` the derivative of that by the lateral distance from the axis, ``d_log_sigma``
    by the logarithm of the blur; ``fraction`` is the place across the lumen and ``play``, px, what it is a fraction of.
    """

    value: Array
    d_x: Array
    d_log_sigma: Array
    fraction: Array
    play: Array


def shade(x: Array, r: Array, fraction: Array, on: Mask, area: float, sigma: float, broad: float = 1.0) -> Shade:
    """Opacity of a strand.

    Parameters
    ----------
    x, r : ndarray, shape (N,)
        Lateral distance from the limb's axis and its radius, px.
    fraction : ndarray, shape (N,)
        Where the wire lies, -1 to 1.
    on : ndarray of bool, shape (N,)
        Pixels that lie alongside the strand and not behind its start.
    area : float
        Of its profile, px^2.
    sigma : float
        Blur, px.
    broad : float
        How many times as broad as a wire it is.

    Returns
    -------
    Shade
        Value and derivatives.
    """
    width = _WIDTH * sigma * broad
    play = np.maximum(r - _RADIUS_PX, 0.0)
    y = (x - fraction * play) / width
    value = area / (np.sqrt(2 * np.pi) * width) * np.exp(-0.5 * y * y) * on
    return Shade(value, -y / width * value, (y * y - 1) * value, fraction, play)


class Lit(NamedTuple):
    """Opacity of lumen and wires together.

    Parameters
    ----------
    value : ndarray, shape (P,)
        The opacity, px.
    by_lumen, by_bend : ndarray, shape (P,)
        Its derivatives by the lumen's opacity and by the bending.
    alone, by_wire : ndarray, shape (W, P)
        Each wire's own opacity, px, and the derivative by it.
    """

    value: Array
    by_lumen: Array
    by_bend: Array
    alone: Array
    by_wire: Array


def with_wires(lumen: Array, wires: Array, m: float) -> Lit:
    """Put wires of opacities ``wires`` (W, P) over a lumen of opacity ``lumen`` (P,), px; the bending ``m`` in 1/px."""
    value, by_lumen, by_bend = lumen, np.ones_like(lumen), np.zeros_like(lumen)
    by_wire = np.empty_like(wires)
    for k, one in enumerate(wires):
        passed = 1 - m * one
        by_wire[:k] *= passed
        by_wire[k] = 1 - m * value
        by_bend = by_bend * passed - value * one
        by_lumen = by_lumen * passed
        value = value * passed + one
    return Lit(value, by_lumen, by_bend, wires, by_wire)
