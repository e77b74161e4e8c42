"""The wires of one fit under the pixels of its limbs.

Axes: P pixels, Q parameters, N pixels near one limb, W wires.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from qca.tube.band import Array, Index, Near
from qca.tube.layout import Layout
from qca.tube.spline import following
from qca.tube.wire import Shade, Wire, shade


class Answer(NamedTuple):
    """How the grey levels answer to one strand.

    Its ``pixel`` (N,), their ``pairs`` among those of all limbs, the weights ``basis`` (N, 4) of its coefficients, and
    derivatives (N,): ``by_place`` and ``by_radius`` of what is taken off those by the limb's offset and radius,
    ``by_blur`` by the blur's logarithm, ``by_place_across`` by the place across the lumen.
    """

    pixel: Index
    pairs: slice
    basis: Array
    by_place: Array
    by_radius: Array
    by_blur: Array
    by_place_across: Array


class Threaded:
    """The wires of one fit: their strands under the limbs' pixels.

    Parameters
    ----------
    wires : sequence of Wire
        The wires; their numbers are only the start.
    nears : sequence of Near
        Each limb's pixels.
    """

    def __init__(self, wires: Sequence[Wire], nears: Sequence[Near]) -> None:
        self.wires = tuple(wires)
        self.strands = tuple(strand for wire in wires for strand in wire.strands)
        self._wire_of = tuple(k for k, wire in enumerate(wires) for _ in wire.strands)
        begins = np.cumsum([0, *(len(near.pixel) for near in nears)])
        self._pairs = tuple(slice(int(begins[strand.limb]), int(begins[strand.limb + 1])) for strand in self.strands)
        near = tuple(nears[strand.limb] for strand in self.strands)
        self.pixel = tuple(its.pixel for its in near)
        self.basis = tuple(strand.spline.basis(its.s) for strand, its in zip(self.strands, near, strict=True))
        self._on = tuple(its.behind >= 0 for its in near)
        # pixels that each wire can shade
        self.shaded = tuple(
            np.unique(np.concatenate([nears[strand.limb].pixel for strand in wire.strands])) for wire in wires
        )

    def shades(self, theta: Array, layout: Layout, x: Array, r: Array, sigma: float) -> list[Shade]:
        """Give each strand's own opacity.

        Parameters
        ----------
        theta : ndarray, shape (Q,)
            Parameters, laid out by ``layout``.
        layout : Layout
            Where they stand.
        x, r : ndarray
            Lateral distances and radii of all limbs' near pixels, limb after limb, px.
        sigma : float
            Blur, px.
        """
        out = []
        for k, part, pairs, (cell, weight), on in zip(
            self._wire_of, layout.wire_f, self._pairs, self.basis, self._on, strict=True
        ):
            fraction = np.einsum("nk,nk->n", theta.take(following(part.start + cell)), weight)
            area, broad = float(np.exp(theta[layout.wire_area.start + k])), self.wires[k].broad
            out.append(shade(x[pairs], r[pairs], fraction, on, area, sigma, broad))
        return out

    def summed(self, shades: Sequence[Shade], count: int) -> Array:
        """Opacity of each wire at ``count`` pixels, (W, count)."""
        out = np.zeros((len(self.wires), count))
        for k, pixel, one in zip(self._wire_of, self.pixel, shades, strict=True):
            out[k, pixel] += one.value
        return out

    def answers(self, shades: Sequence[Shade], by_wire: Array) -> list[Answer]:
        """Give the derivatives of the grey levels, where ``by_wire`` (W, P) are those by each wire's opacity."""
        out = []
        for k, pixel, pairs, (_, weight), one in zip(
            self._wire_of, self.pixel, self._pairs, self.basis, shades, strict=True
        ):
            answer = by_wire[k, pixel]
            place = answer * one.d_x
            radius = place * one.fraction * (one.play > 0)
            out.append(Answer(pixel, pairs, weight, place, radius, answer * one.d_log_sigma, -place * one.play))
        return out

    def at(self, theta: Array, layout: Layout) -> tuple[Wire, ...]:
        """Wires with the numbers that stand in a parameter vector."""
        found = iter(layout.wire_f)
        return tuple(
            replace(
                wire,
                area=float(np.exp(theta[layout.wire_area.start + k])),
                strands=tuple(replace(strand, f=theta[next(found)].copy()) for strand in wire.strands),
            )
            for k, wire in enumerate(self.wires)
        )
