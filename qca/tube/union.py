"""The blurred opacity of several lumens in one plane.

Coplanar lumens share the longer of their chords. What each gives to the blurred opacity of their union is its own
blurred opacity less the part that comes from where another one's chord is longer. That part is told by a quadrature
over the blur, in which the lumens run straight: within 0.4 % of the peak (rms) about a fork of 30 to 75 degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]

_RINGS, _SPOKES = 3, 8
_DOUBLINGS = 4
"""Squarings after which the longest of several half chords counts alone, but for those within a tenth of it. A sharper
choice jumps when a wall passes a node, and a fit that jumps ends elsewhere when the frame is turned."""
_TRACE = 1e-3
"""A lumen with less than this part of another one's opacity counts in full: what it does not share is as little."""
_TINY = 1e-6
"""Half chord, px, that makes a share known where no node of the quadrature meets a lumen."""


class Place(NamedTuple):
    """How N pixels lie to one limb.

    ``pixel`` (N,) are their indices; ``x`` (N,) the distance from the axis and ``radius`` (N,), px; ``outward`` (N, 2)
    the direction, (row, column), in which ``x`` grows.
    """

    pixel: npt.NDArray[np.int64]
    x: Array
    radius: Array
    outward: Array


def blurred_union(values: Array, places: Sequence[Place], sigma: float, bend: float) -> tuple[Array, Array]:
    """Union of blurred lumens and the share of each in it.

    Parameters
    ----------
    values : ndarray, shape (L, P)
        Blurred opacity of each limb at each pixel; 0 where the limb is absent.
    places : sequence of Place
        One per limb.
    sigma : float
        Blur, px.
    bend : float
        Bending, 1/px, as in :mod:`qca.tube.chord`.

    Returns
    -------
    union : ndarray, shape (P,)
        Blurred opacity of the union.
    share : ndarray, shape (L, P)
        Part of each limb's opacity that is in the union: the derivative of the union with respect to it.
    """
    share = (values > 0).astype(np.float64)
    both = np.count_nonzero(values > _TRACE * values.max(0), axis=0) > 1
    count = int(np.count_nonzero(both))
    offsets, weights = _nodes()
    offsets, weights = (sigma * offsets).astype(np.float32), weights.astype(np.float32)
    half = np.zeros((len(places), count, len(weights)), dtype=np.float32)
    row = np.cumsum(both) - 1
    for chords, place in zip(half, places, strict=True):
        here = np.flatnonzero(both[place.pixel])
        aside = place.outward[here].astype(np.float32) @ offsets.T
        x = np.asarray(place.x[here, None] + aside, dtype=np.float32)
        radius = place.radius[here, None].astype(np.float32)
        chords[row[place.pixel[here]]] = _opacity(radius, x, bend)
    won = half / (half.max(0) + _TINY)
    for _ in range(_DOUBLINGS):
        won *= won
    won /= won.sum(0) + _TINY
    share[:, both] *= ((half * won) @ weights + _TINY) / (half @ weights + _TINY)
    return (share * values).sum(0), share


def _opacity(radius: Single, x: Single, bend: float) -> Single:
    """Opacity without blur at distances ``x`` from an axis, px."""
    half = np.sqrt(np.maximum(radius * radius - x * x, 0.0))
    return half if abs(bend) < 1e-9 else np.asarray(-np.expm1(-2 * bend * half) / (2 * bend), dtype=np.float32)


@lru_cache(maxsize=1)
def _nodes() -> tuple[Array, Array]:
    """Places (K, 2), SDs, and weights (K,) of a quadrature over a round normal distribution.

    Gauss-Laguerre in half the squared radius, equal steps of the angle, every other ring turned by half a step.
    """
    halves, weight = np.polynomial.laguerre.laggauss(_RINGS)
    places, weights = [], []
    for ring, (half, one) in enumerate(zip(halves, weight, strict=True)):
        turn = 2 * np.pi * (np.arange(_SPOKES) + 0.5 * (ring % 2)) / _SPOKES
        places.append(np.sqrt(2 * half) * np.column_stack([np.cos(turn), np.sin(turn)]))
        weights.append(np.full(_SPOKES, one / _SPOKES))
    return np.vstack(places), np.concatenate(weights)
