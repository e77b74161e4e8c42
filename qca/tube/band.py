"""The pixels that take part in a joint fit, and how each lies to each limb."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_BEYOND_PX = 25.0
"""How far beyond an end of a limb its vessel goes on and must be left out."""
_END_PX = 3.0
_BLURRED = 3.5
"""Blur widths beyond a wall where hardly anything of a lumen is left: less than 2e-4 of its depth."""
_BESIDE_PX = 2.5
"""Pixels this far outside every wall are background."""
_CROSSED_PX = 1.0
"""How far outside the walls of two daughters pixels still count as lying in both."""
_FURTHER_PX = 1e5
"""Longer than any limb: what sets the pixels of one apart from those of the next when they are put in order."""


@dataclass(frozen=True, slots=True)
class Near:
    """N pixels that one limb's lumen can touch.

    Parameters
    ----------
    pixel : ndarray of int, shape (N,)
        Index into the band's pixels.
    s, x : ndarray, shape (N,)
        Arc length and lateral distance from the base curve, px.
    behind : ndarray, shape (N,)
        How far a pixel lies behind the limb's start, px, 0 or less: the start is rounded.
    """

    pixel: Index
    s: Array
    x: Array
    behind: Array

    @classmethod
    def of(cls, pixel: Index, s: Array, x: Array) -> Near:
        """Pixels with these indices, arc lengths and lateral distances, each (N,)."""
        return cls(pixel, np.maximum(s, 0.0), x, np.minimum(s, 0.0))

    def alongside(self) -> Near:
        """Give the same without the pixels behind the limb's start."""
        keep = self.behind >= 0
        return Near(self.pixel[keep], self.s[keep], self.x[keep], self.behind[keep])


@dataclass(frozen=True, slots=True)
class Band:
    """P pixels along all limbs, ordered so that neighbours are near.

    ``pixels`` (P, 2), (row, column); ``near`` one per limb; ``clear`` (P,) is True beside all lumens; ``ends`` are
    where stretches of neighbours end: those that one limb touches, those beside it on one side.
    """

    pixels: Array
    near: tuple[Near, ...]
    clear: Mask
    ends: Index


def select_band(
    limbs: Sequence[Limb],
    usable: Mask,
    *,
    margin_px: float,
    core_px: float,
    thin: bool,
    sigma: float | None = None,
    crossed: bool = True,
) -> Band:
    """Choose the pixels that take part.

    Left out: the unusable, the ambiguous ends (beyond the last sample of a limb, before the first of a single one), the
    core of the confluence where the way the limbs join matters, and where the two daughters cross if asked for.

    Parameters
    ----------
    limbs : sequence of Limb
        Limbs; the first sample of the first one is the branching point.
    usable : ndarray of bool, shape (rows, columns)
        Pixels that may be used.
    margin_px : float
        Background beside the walls.
    core_px : float
        Radius around the branching point that is left out.
    thin : bool
        Take every other pixel, like a chessboard's whites.
    sigma : float, optional
        Blur, px, where an earlier fit told it: limbs are then nearly where they belong.
    crossed : bool
        Whether pixels take part that lie in both daughters.

    Returns
    -------
    Band
        Pixels ordered along the limbs.
    """
    radii = [np.maximum(limb.radius(limb.curve.position), 0.5) for limb in limbs]
    own = [painted(limb.curve.points, radius + margin_px, usable) for limb, radius in zip(limbs, radii, strict=True)]
    pixels = pixels_of(np.logical_or.reduce(own) & usable, thin=thin)
    count = len(pixels)
    keep, drop, right = np.zeros((3, count), dtype=bool)
    clear, apart = np.ones((2, count), dtype=bool)
    owner = np.zeros(count, dtype=np.int64)
    best = np.full(count, np.inf)
    along = np.zeros(count)
    touched = []
    daughters = np.zeros(count, dtype=np.int64)
    rows, columns = pixels.astype(np.int64).T
    for i, (limb, radius) in enumerate(zip(limbs, radii, strict=True)):
        close = np.flatnonzero((own[i] | _beyond(limb, radius, usable, both=len(limbs) == 1))[rows, columns])
        s, x = limb.curve.locate(pixels[close])
        here = radius[limb.curve.sample_near(s)]
        on = (s >= 0) & (s <= limb.curve.length)
        away = np.abs(x)
        if i > 0:
            daughters[close[on & (away < here + _CROSSED_PX)]] += 1
        part = away / (here + margin_px)
        inside = on & (away <= here + margin_px)
        keep[close[inside]] = True
        past = (s > limb.curve.length) & (s < limb.curve.length + _BEYOND_PX) & (away < radius[-1] + _END_PX)
        if len(limbs) == 1:
            past |= (s < 0) & (s > -_BEYOND_PX) & (away < radius[0] + _END_PX)
        drop[close[past]] = True
        clear[close[on & (away < here + _BESIDE_PX)]] = False
        closer = inside & (part < best[close])
        mine = close[closer]
        best[mine], owner[mine], along[mine], right[mine] = part[closer], i, s[closer], x[closer] > 0
        # the lumen may widen or shift while fitting, but not beyond this
        play = 0.5 * here + 6.0 if sigma is None else 0.25 * here + _BLURRED * sigma + 0.5
        touch = on & (away <= here + np.minimum(play, margin_px))
        if len(limbs) > 1:
            touch |= (s < 0) & (s * s + x * x <= (here + np.minimum(play, margin_px)) ** 2)
        apart[close[touch]] = False
        touched.append((close[touch], s[touch], x[touch]))
    drop |= (daughters > 1) & (not crossed)
    drop |= ((pixels - limbs[0].curve.points[0]) ** 2 @ np.ones(2)) < core_px**2
    order = np.flatnonzero(keep & ~drop)
    # what no limb touches depends on fewer parameters and stands apart, each side by itself
    stretch = (owner + len(limbs) * apart * (1 + right))[order]
    order = order[np.argsort(along[order] + _FURTHER_PX * stretch, kind="stable")]
    place = np.full(count, -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    near = []
    for which, s, x in touched:
        at = place[which]
        there = np.argsort(at, kind="stable")[np.count_nonzero(at < 0) :]
        near.append(Near.of(at[there], s[there], x[there]))
    return Band(pixels.take(order, axis=0), tuple(near), clear[order], np.cumsum(np.bincount(stretch)))


def _beyond(limb: Limb, radius: Array, usable: Mask, *, both: bool) -> Mask:
    """Where the vessel goes on beyond the end of a limb, or beyond both ends."""
    ahead = np.arange(0.0, _BEYOND_PX + 2)
    s = np.concatenate([limb.curve.length + ahead, -ahead if both else ahead[:0]])
    reach = np.where(s > 0, radius[-1], radius[0]) + _END_PX
    return painted(limb.curve.at(s)[0], reach, usable)


def painted(points: Array, reach: Array, usable: Mask) -> Mask:
    """Pixels around the points of a curve.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Samples about 1 px apart, (row, column).
    reach : ndarray, shape (N,)
        How far the pixels reach from each, px; some more come along.
    usable : ndarray of bool, shape (rows, columns)
        For its shape.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        Not restricted to usable ones.
    """
    import cv2

    paint = np.zeros(usable.shape, dtype=np.uint8)
    for (r, c), d in zip(np.round(points[::2]).astype(int).tolist(), reach[::2].tolist(), strict=True):
        cv2.circle(paint, (c, r), math.ceil(d) + 3, 1, cv2.FILLED)
    return paint.astype(bool)


def pixels_of(mask: Mask, *, thin: bool = False) -> Array:
    """Pixels of a mask, shape (P, 2), (row, column); with ``thin`` every other one, like a chessboard's whites."""
    if thin:
        mask = mask & ((np.arange(mask.shape[0])[:, None] + np.arange(mask.shape[1])) % 2 == 0)
    # many times faster than looking for rows and columns at once
    return np.column_stack(np.divmod(np.flatnonzero(mask), mask.shape[1])).astype(np.float64)
