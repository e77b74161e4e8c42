"""Ways across a cost image that change their direction only at a price, for where the cheapest ones turn a corner.

Where a vessel crosses two limbs and one of them hardly shows, the cheapest way leaves it, follows the crossing vessel
and turns back: every pixel of it lies on a ridge. What tells it from the limb is that vessels go on as they came. Here
a way has a heading, one of 16 sectors between neighbouring directions of the grid; within its sector it moves as it
likes, and going over to the next sector costs as much as `_TURN_COST` px on a ridge. All is in coarse pixels, as in
:mod:`qca.tree.fork`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from qca.tree.path import arc_length
from qca.tree.turning import sharpest_turn
from qca.tube.curve import curve_through

_CORNER = math.radians(25)
"""From this turn on, rad, another way is looked for; of 200 drawn frames 27 turn so much."""
_SMOOTH, _REACH = 2.5, 6.0
"""Of that turn: SD of the Gaussian that smooths a path, and length of the chords that enclose it, coarse px."""
_STEADIER = math.radians(5)
"""Another way turns less by at least this, rad."""
_TURN_COST = 25.0
"""Price of 22.5 degrees, px on a ridge. 20 and 40 lead the same ways."""
_DETOUR = 1.6
"""Other paths may cost this many times as much as the cheapest, turns apart."""
_APART = 3.0
"""Paths that keep within so many coarse px of the cheapest are the same ways, and those stay as they are."""
_LEAST = 3.0
"""Length of a path at least, coarse px: what is shorter has no direction."""

_STEPS = (
    (0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2),
    (0, -1), (-1, -2), (-1, -1), (-2, -1), (-1, 0), (-2, 1), (-1, 1), (-1, 2),
)  # fmt: skip
"""Steps of a way, (row, column), in the order of their directions; sector ``k`` holds the steps ``k`` and ``k + 1``."""

Image = npt.NDArray[np.float64]
Path = npt.NDArray[np.float64]
Place = tuple[int, ...]


def steadier(paths: Sequence[Path], grounds: Sequence[Image], ends: Sequence[Place]) -> list[Path] | None:
    """Find paths that go on straighter, where one of these turns a corner.

    Parameters
    ----------
    paths : sequence of ndarray, shape (N, 2)
        Three cheapest paths from where they meet outwards, or one from its start; (row, column), coarse pixels.
    grounds : sequence of ndarray, shape (rows, columns)
        Positive cost per pixel for each path.
    ends : sequence of (int, int)
        Where the paths end; of a single one its end.

    Returns
    -------
    list of ndarray or None
        Paths of the same kind; None where none turns a corner, or no others are steadier and hardly dearer.
    """
    sharpest = _sharpest(paths)
    if sharpest < _CORNER:
        return None
    cost = sum(_cost(path, ground) for path, ground in zip(paths, grounds, strict=True))
    ways = [_Ways(ground, end, _DETOUR * cost) for ground, end in zip(grounds, ends, strict=True)]
    if len(paths) == 1:
        place: Place = tuple(int(v) for v in paths[0][0])
    else:
        total = np.sum([way.far for way in ways], axis=0)
        place = tuple(int(v) for v in np.unravel_index(int(np.argmin(total)), total.shape))
    if not all(np.isfinite(way.far[place]) for way in ways):
        return None
    found = [_pixel_by_pixel(way.path(place)) for way in ways]
    if min(arc_length(path)[-1] for path in found) < _LEAST or _sharpest(found) > sharpest - _STEADIER:
        return None
    dearer = sum(_cost(path, ground) for path, ground in zip(found, grounds, strict=True)) > _DETOUR * cost
    return None if dearer or _apart(paths, found) < _APART else found


class _Ways:
    """Cheapest ways with a heading to one end, among the pixels that are not too far from it without one."""

    def __init__(self, ground: Image, end: Place, most: float) -> None:
        from scipy.sparse.csgraph import dijkstra
        from skimage.graph import MCP_Geometric

        plain, _ = MCP_Geometric(ground).find_costs([end])
        self._pixel = np.argwhere(plain <= most)
        number = np.full(ground.shape, -1)
        number[tuple(self._pixel.T)] = np.arange(len(self._pixel))
        self._number = number
        graph = _graph(ground, self._pixel, number)
        sectors = len(_STEPS)
        far, self._before, _ = dijkstra(
            graph, indices=number[end] * sectors + np.arange(sectors), min_only=True, return_predecessors=True
        )
        self._far = far.reshape(-1, sectors)
        self.far = np.full(ground.shape, np.inf)
        self.far[tuple(self._pixel.T)] = self._far.min(1)

    def path(self, place: Place) -> Path:
        """From a place to the end, (N, 2) pixels of which neighbours may be one step apart."""
        pixel = int(self._number[place])
        state = pixel * len(_STEPS) + int(self._far[pixel].argmin())
        pixels = [pixel]
        while (state := int(self._before[state])) >= 0:
            pixel = state // len(_STEPS)
            if pixel != pixels[-1]:
                pixels.append(pixel)
        return self._pixel[pixels].astype(np.float64)


def _graph(ground: Image, pixel: npt.NDArray[np.int64], number: npt.NDArray[np.int64]) -> csr_array:
    """Costs of going from one pixel and sector to another, sparse and square, states pixel by pixel.

    ``pixel`` (N, 2) are the pixels that take part, ``number`` (rows, columns) their places in it and -1 elsewhere.
    """
    sectors = len(_STEPS)
    every = np.arange(len(pixel))
    start, stop, price = [], [], []
    for k, step in enumerate(_STEPS):
        there = pixel + step
        inside = np.flatnonzero(((there >= 0) & (there < ground.shape)).all(1))
        inside = inside[number[tuple(there[inside].T)] >= 0]
        passed = [pixel[inside] + part for part in ((0, 0), step, *_between(step))]
        length = math.hypot(*step) * np.mean([ground[tuple(one.T)] for one in passed], axis=0)
        for sector in (k, (k - 1) % sectors):
            start.append(inside * sectors + sector)
            stop.append(number[tuple(there[inside].T)] * sectors + sector)
            price.append(length)
    for sector in range(sectors):
        for turned in (sector - 1, sector + 1):
            start.append(every * sectors + sector)
            stop.append(every * sectors + turned % sectors)
            price.append(np.full(len(pixel), _TURN_COST))
    size = len(pixel) * sectors
    return csr_array((np.concatenate(price), (np.concatenate(start), np.concatenate(stop))), shape=(size, size))


def _between(step: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    """Pixels that a step leads between, relative to its start; none for neighbours."""
    row, column = step
    if abs(row) == 2:
        return (row // 2, 0), (row // 2, column)
    if abs(column) == 2:
        return (0, column // 2), (row, column // 2)
    return ()


def _sharpest(paths: Sequence[Path]) -> float:
    """Sharpest turn of some paths, rad; short ones do not turn."""
    curves = [curve_through(path, _SMOOTH) for path in paths if arc_length(path)[-1] >= _LEAST]
    return max((sharpest_turn(curve.position, curve.points, _REACH).angle for curve in curves), default=0.0)


def _pixel_by_pixel(path: Path) -> Path:
    """Points one pixel apart along a path, its end included."""
    along = arc_length(path)
    at = np.append(np.arange(0.0, along[-1], 1.0), along[-1])
    return np.column_stack([np.interp(at, along, path[:, k]) for k in (0, 1)])


def _cost(path: Path, ground: Image) -> float:
    """Cost of a path, turns apart."""
    pixels = np.round(_pixel_by_pixel(path)).astype(int)
    return float(ground[tuple(pixels.T)].sum())


def _apart(some: Sequence[Path], others: Sequence[Path]) -> float:
    """Largest distance from a point of either paths to the nearest of the others'."""
    from scipy.spatial import KDTree

    first, second = (np.vstack([_pixel_by_pixel(path) for path in paths]) for paths in (some, others))
    return float(max(KDTree(first).query(second)[0].max(), KDTree(second).query(first)[0].max()))
