"""Where three paths along ridges meet: the cheapest place, but for loops, corners, and where nothing is seen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.halved import from_half, halved
from qca.tree.path import arc_length
from qca.tree.steady import steadier

_PAST_PX, _PAST_PART = 12.0, 0.2
"""Around a pick no path but its own leads, so far, px, and as a part of the distance to the nearest other pick: limbs
that cross or touch beyond their picks do not meet there."""
_PAST_COST = 100.0
"""Factor on the cost there."""
_CHORD_PX, _TURNED_BACK_DEG = 40.0, 75.0
"""A daughter's first 40 px turn back where they lie within 75 degrees of the proximal path's: at forks, drawn by
ourselves or by others, this is 90 and more, and under 50 where a loop was closed."""
_HARDLY_PX, _POINT_PX = 24.0, 12.0
"""A path shorter than the first is hardly one: a lumen's half-width and the least length of a limb. One shorter than
the second points nowhere."""
_BAR_CHORD = 3
"""Points to both sides that say which way a path goes."""
_BAR_AWAY_PX, _BAR_THICK_PX, _BAR_REACH_PX = 8.0, 3.0, 14.0
"""A bar stands so far from a pick, is so thick, and reaches so far to both sides."""
_DETOUR = 1.6
"""Paths that do not turn back may cost this many times as much: a way across the background costs many times more."""
_MOST_BARS = 4
"""Two daughters can come round, each on either side of the other's pick."""

_UNSEEN_COST, _UNSEEN_PART, _BESIDE_PICK = 8.0, 3.0, 4
"""From this mean cost of three coarse px on, and as many times the usual one, nothing is seen along a path; the last
four lead from axis to pick."""
_AS_LIKELY, _STRAIGHTER_DEG = 1.1, 10.0
"""Of two ways across what is not seen, alike in cost, the one on which daughters go on straighter by this is taken."""

Image = npt.NDArray[np.float64]
Path = npt.NDArray[np.float64]


def meeting_paths(costs: Sequence[Image], ends: npt.NDArray[np.int64]) -> list[Path]:
    """Three paths that meet where their total cost is least.

    Daughters that touch beyond their picks close a loop, and meeting there may be cheaper than at the fork: then the
    proximal path follows one daughter, and the other daughter's path leaves its pick away from the fork and turns back.
    Where they look like that, a daughter that may not leave its pick that way is tried. Paths that turn a corner, as
    those do that follow a crossing vessel for a while, give way to steadier ones.

    Parameters
    ----------
    costs : sequence of ndarray, shape (rows, columns)
        Cost images of the three ends' paths.
    ends : ndarray, shape (3, 2), int
        (row, column) of the three ends: proximal, distal, side.

    Returns
    -------
    list of ndarray
        Three paths, each from the common meeting pixel outwards to its end.
    """
    # the mean of each four, for the cheapest of them makes a bargain of noise
    coarse = [halved(cost) for cost in costs]
    starts = [tuple(end) for end in ends // 2]
    grounds = [
        np.where(elsewhere, _PAST_COST * one, one)
        for one, elsewhere in zip(coarse, _past(coarse[0].shape, ends / 2), strict=True)
    ]

    def search(i: int, ground: Image) -> _Search:
        # where the paths meet is no further from an end than the nearer of the others: meeting there costs less
        return _Search(ground, starts[i], [other for other in starts if other != starts[i]])

    searches = [search(i, ground) for i, ground in enumerate(grounds)]
    first = meeting = _meet(searches)
    for _ in range(_MOST_BARS):
        i = meeting.turned_back
        if i is None or meeting.cost > _DETOUR * first.cost:
            break
        outwards = meeting.paths[i]
        outermost = np.flatnonzero(arc_length(outwards) <= arc_length(outwards)[-1] - _BAR_AWAY_PX / 2)
        searches[i] = search(i, _barred(searches[i].ground, outwards, int(outermost[-1]) if len(outermost) else 0))
        meeting = _meet(searches)
    found = first if meeting.turned_back is not None or meeting.cost > _DETOUR * first.cost else meeting
    if found is first:
        faintest = [search.faintest(path) for search, path in zip(searches, first.paths, strict=True)]
        i = 1 if faintest[1][0] > faintest[2][0] else 2
        usual = first.cost / sum(len(path) for path in first.paths)
        if first.turned_back is None and faintest[i][0] > max(_UNSEEN_COST, _UNSEEN_PART * usual):
            searches[i] = search(i, _barred(searches[i].ground, first.paths[i], faintest[i][1]))
            other = _meet(searches)
            if other.cost < _AS_LIKELY * first.cost and other.sharpest > first.sharpest + _STRAIGHTER_DEG:
                found = other
    steady = steadier(found.paths, grounds, starts)
    if steady is not None and (found.turned_back is not None or _Meeting(steady, found.cost).turned_back is None):
        found = found._replace(paths=steady)
    return [from_half(path) for path in found.paths]


class _Search:
    """Cheapest ways across a ``ground`` to one end."""

    def __init__(self, ground: Image, end: tuple[int, ...], others: list[tuple[int, ...]]) -> None:
        from skimage.graph import MCP_Geometric

        self.ground = ground
        self._finder = MCP_Geometric(ground)
        far, _ = self._finder.find_costs([end], others, find_all_ends=False)
        self.far = np.where(np.isfinite(far), far, 1e30)

    def path(self, place: tuple[int, ...]) -> Path:
        """From a place to the end, (N, 2) coarse pixels."""
        return np.asarray(self._finder.traceback(place), dtype=np.float64)[::-1]

    def faintest(self, path: Path) -> tuple[float, int]:
        """Largest mean cost of three neighbours on a path, short of its end, and the index of the second."""
        cost = self.ground[tuple(path[: max(len(path) - _BESIDE_PICK, 3)].astype(int).T)]
        if len(cost) < 3:
            return 0.0, 0
        mean = np.convolve(cost, np.full(3, 1 / 3), "valid")
        return float(mean.max()), int(mean.argmax()) + 1


class _Meeting(NamedTuple):
    """Three paths from where they meet outwards, coarse pixels, and what they cost together."""

    paths: list[Path]
    cost: float

    @property
    def angles(self) -> tuple[float, float]:
        """Degrees from the proximal path's beginning to those of the distal and the side path."""
        chords = []
        for path in self.paths:
            chord = path[min(int(np.searchsorted(arc_length(path), _CHORD_PX / 2)), len(path) - 1)] - path[0]
            chords.append(chord / max(float(np.linalg.norm(chord)), 1e-9))
        distal, side = (float(np.degrees(np.arccos(np.clip(chords[0] @ chord, -1, 1)))) for chord in chords[1:])
        return distal, side

    @property
    def sharpest(self) -> float:
        """The smaller of the two angles."""
        return min(self.angles)

    @property
    def turned_back(self) -> int | None:
        """The daughter that comes round, where one leaves into the proximal path's direction or has hardly a path."""
        lengths = [arc_length(path)[-1] for path in self.paths]
        distal, side = self.angles
        i = 1 if distal < side else 2
        if min(distal, side) < _TURNED_BACK_DEG and lengths[i] > _POINT_PX / 2:
            return i
        # one that is so short says nothing about its direction
        hardly = min(lengths) < _HARDLY_PX / 2
        return None if not hardly else 1 if lengths[1] > lengths[2] else 2


def _meet(searches: Sequence[_Search]) -> _Meeting:
    total = np.sum([search.far for search in searches], axis=0)
    place = tuple(int(v) for v in np.unravel_index(int(np.argmin(total)), total.shape))
    return _Meeting([search.path(place) for search in searches], float(total[place]))


def _barred(ground: Image, path: Path, k: int) -> Image:
    """Costs with a bar across a path at its point ``k``."""
    at, way = path[k], path[min(k + _BAR_CHORD, len(path) - 1)] - path[max(k - _BAR_CHORD, 0)]
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    rows, columns = np.ogrid[: ground.shape[0], : ground.shape[1]]
    rows, columns = rows - at[0], columns - at[1]
    ahead, across = rows * way[0] + columns * way[1], rows * way[1] - columns * way[0]
    bar = (np.abs(ahead) <= _BAR_THICK_PX / 2) & (np.abs(across) <= _BAR_REACH_PX / 2)
    return np.asarray(np.where(bar, _PAST_COST * ground, ground))


def _past(shape: tuple[int, int], ends: npt.NDArray[np.float64]) -> list[npt.NDArray[np.bool_]]:
    """For each of the ends, (row, column) on coarse pixels, what lies around the others."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    apart = np.linalg.norm(ends[:, None] - ends, axis=2)
    np.fill_diagonal(apart, np.inf)
    reach = np.minimum(_PAST_PX / 2, _PAST_PART * apart.min(1))
    around = [(rows - r) ** 2 + (columns - c) ** 2 < d * d for (r, c), d in zip(ends, reach, strict=True)]
    return [around[1] | around[2], around[0] | around[2], around[0] | around[1]]
