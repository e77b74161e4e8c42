"""All limbs' near pixels in one list, so that what is the same for each limb is computed for all at once.

Axes: N pairs of a limb and a pixel that its lumen can touch, limb after limb; P pixels, L limbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.tube.band import Array, Index, Near
from qca.tube.cap import Behind
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.spline import Spline, following, sparse_rows
from qca.tube.union import Place, blurred_union

if TYPE_CHECKING:
    from scipy.sparse import csr_array


@dataclass(frozen=True, slots=True)
class Touched:
    """Which limbs touch which pixels, and by which parameters.

    Parameters
    ----------
    pixel : ndarray of int, shape (N,)
        Index of the pixel.
    x : ndarray, shape (N,)
        Lateral distance from the limb's base curve, px.
    normal : ndarray, shape (N, 2)
        Normal of the base curve, (row, column).
    r_at, e_at, g_at : ndarray of int, shape (N, 4)
        Parameters of radius, offset and contrast.
    r_basis, e_basis, g_basis : ndarray, shape (N, 4)
        Their weights.
    e_rows, g_rows : sparse array, shape (N, Q)
        The same of offset and contrast as matrices.
    r_knots : ndarray, shape (N,)
        Distance of the radius' knots, px.
    behind : Behind
        Those behind the limbs' starts.
    crossing : tuple of (ndarray of int, ndarray of int)
        For each limb its pairs at the C pixels that other limbs touch too, and these pixels' numbers among the C.
    crossed : int
        C.
    """

    pixel: Index
    x: Array
    normal: Array
    r_at: Index
    r_basis: Array
    r_knots: Array
    e_at: Index
    e_basis: Array
    g_at: Index
    g_basis: Array
    e_rows: csr_array
    g_rows: csr_array
    behind: Behind
    crossing: tuple[tuple[Index, Index], ...]
    crossed: int

    @classmethod
    def of(cls, limbs: Sequence[Limb], nears: Sequence[Near], layout: Layout, count: int) -> Touched:
        """List of the ``nears`` of all ``limbs`` among ``count`` pixels."""
        pixel = np.concatenate([near.pixel for near in nears])
        begins = np.cumsum([0, *(len(near.pixel) for near in nears)])
        several = np.bincount(pixel, minlength=count) > 1
        number = np.cumsum(several) - 1
        crossing = []
        for near, begin in zip(nears, begins, strict=False):
            pairs = np.flatnonzero(several[near.pixel])
            crossing.append((begin + pairs, number[near.pixel[pairs]]))

        def based(splines: Sequence[Spline], parts: Sequence[slice]) -> tuple[Index, Array]:
            found = [spline.basis(near.s) for spline, near in zip(splines, nears, strict=True)]
            first = np.concatenate([part.start + cell for part, (cell, _) in zip(parts, found, strict=True)])
            return following(first), np.concatenate([weight for _, weight in found])

        r_at, r_basis = based([limb.r_spline for limb in limbs], layout.r)
        e_at, e_basis = based([limb.e_spline for limb in limbs], layout.e)
        g_at, g_basis = based([limb.g_spline for limb in limbs], layout.g)
        return cls(
            pixel=pixel,
            x=np.concatenate([near.x for near in nears]),
            normal=np.concatenate([limb.curve.normal_near(near.s) for limb, near in zip(limbs, nears, strict=True)]),
            r_at=r_at,
            r_basis=r_basis,
            r_knots=np.repeat([limb.r_spline.spacing for limb in limbs], [len(near.pixel) for near in nears]),
            e_at=e_at,
            e_basis=e_basis,
            g_at=g_at,
            g_basis=g_basis,
            e_rows=sparse_rows(e_at, e_basis, layout.size),
            g_rows=sparse_rows(g_at, g_basis, layout.size),
            behind=Behind.of(nears if len(nears) > 1 else [], [limb.curve for limb in limbs]),
            crossing=tuple(crossing),
            crossed=int(np.count_nonzero(several)),
        )

    def share(self, value: Array, x: Array, radius: Array, outward: Array, sigma: float, bend: float) -> Array:
        """Part of each limb's opacity that is in the limbs' union.

        Parameters
        ----------
        value, x, radius : ndarray, shape (N,)
            Each limb's own blurred opacity, its distance from the axis and its radius, px.
        outward : ndarray, shape (N, 2)
            Direction in which the distance grows.
        sigma, bend : float
            Blur, px, and bending, 1/px.

        Returns
        -------
        ndarray, shape (N,)
            0 to 1; 1 where no other limb is near.
        """
        share = np.ones(len(value))
        if not self.crossed:
            return share
        values = np.zeros((len(self.crossing), self.crossed))
        places = []
        for (pairs, at), line in zip(self.crossing, values, strict=True):
            line[at] = value[pairs]
            places.append(Place(at, x[pairs], radius[pairs], outward[pairs]))
        _, shares = blurred_union(values, places, sigma, bend)
        for (pairs, at), line in zip(self.crossing, shares, strict=True):
            share[pairs] = line[at]
        return share
