"""Where three paths along ridges meet: the cheapest place, but for loops, corners, and where nothing is seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from qca.tree.halved import from_half, halved
from qca.tree.path import arc_length
from qca.tree.steady import steadier
from qca.tree.three_ways import Meeting, Search, faintest_of, meet

_PAST_PX, _PAST_PART = 12.0, 0.2
"""Around a pick no path but its own leads, so far, px, and as a part of the distance to the nearest other pick: limbs
that cross or touch beyond their picks do not meet there."""
_PAST_COST = 100.0
"""Factor on the cost there."""
_BAR_CHORD = 3
"""Points to both sides that say which way a path goes."""
_BAR_AWAY_PX, _BAR_THICK_PX, _BAR_REACH_PX = 8.0, 3.0, 14.0
"""A bar stands so far from a pick, is so thick, and reaches so far to both sides."""
_DETOUR = 1.6
"""Paths that do not turn back may cost this many times as much: a way across the background costs many times more."""
_MOST_BARS = 4
"""Two daughters can come round, each on either side of the other's pick."""

_UNSEEN_COST, _UNSEEN_PART = 8.0, 3.0
"""From this mean cost of three coarse px on, and as many times the usual one, nothing is seen along a path."""
_STEEPER, _DEAREST, _ELSEWHERE, _SEEN_PART = 3.0, 2.0, 6.0, 0.5
"""Between daughters side by side a bridge over the background is short, and the ways along two lumens are long. With
costs to the third power bridges do not pay. Meeting so many coarse px further on may cost twice as much, all of both
daughters; its faintest stretch costs less than the bridge, and half as much where no path turned back."""
_AS_LIKELY, _STRAIGHTER_DEG = 1.1, 10.0
"""Of two ways across what is not seen, alike in cost, the one on which daughters go on straighter by this is taken."""

Image = npt.NDArray[np.float64]
Path = npt.NDArray[np.float64]


def meeting_paths(costs: Sequence[Image], ends: npt.NDArray[np.int64]) -> list[Path]:
    """Three paths that meet where their total cost is least.

    Daughters that touch beyond their picks close a loop, and meeting there may be cheaper than at the fork: then the
    proximal path follows one daughter, and the other daughter's path leaves its pick away from the fork and turns back.
    Where they look like that, a daughter that may not leave its pick that way is tried. Where paths are bridged across
    the background between daughters, those give way that are seen all along. Paths that turn a corner, as those do that
    follow a crossing vessel for a while, give way to steadier ones.

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
    fork = _Fork([halved(cost) for cost in costs], ends)
    found = fork.bridged_nowhere(fork.seen_or_straight(fork.without_loop()))
    steady = steadier(found.paths, fork.grounds, fork.starts)
    if steady is not None and (found.turned_back is not None or Meeting(steady, found.cost).turned_back is None):
        found = found._replace(paths=steady)
    return [from_half(path) for path in found.paths]


class _Fork:
    """The search for the place where three paths meet, on coarse pixels."""

    def __init__(self, coarse: Sequence[Image], ends: npt.NDArray[np.int64]) -> None:
        self._coarse = coarse
        self.starts = [tuple(end) for end in ends // 2]
        self.grounds = [
            np.where(elsewhere, _PAST_COST * one, one)
            for one, elsewhere in zip(coarse, _past(coarse[0].shape, ends / 2), strict=True)
        ]
        self._searches = [self._search(i, ground) for i, ground in enumerate(self.grounds)]
        self._first = meet(self._searches)

    def _search(self, i: int, ground: Image) -> Search:
        # where the paths meet is no further from an end than the nearer of the others: meeting there costs less
        return Search(ground, self.starts[i], [other for other in self.starts if other != self.starts[i]])

    def without_loop(self) -> Meeting:
        """Meet where no daughter turns back, if there is such a place and it is not much dearer."""
        meeting = self._first
        for _ in range(_MOST_BARS):
            i = meeting.turned_back
            if i is None or meeting.cost > _DETOUR * self._first.cost:
                break
            outwards = meeting.paths[i]
            outermost = np.flatnonzero(arc_length(outwards) <= arc_length(outwards)[-1] - _BAR_AWAY_PX / 2)
            self._bar(i, outwards, int(outermost[-1]) if len(outermost) else 0)
            meeting = meet(self._searches)
        return self._first if meeting.turned_back is not None or meeting.cost > _DETOUR * self._first.cost else meeting

    def seen_or_straight(self, found: Meeting) -> Meeting:
        """Of two ways across a stretch that is not seen, take the straighter one."""
        if found is not self._first or found.turned_back is not None:
            return found
        faintest = [faintest_of(search.ground, path) for search, path in zip(self._searches, found.paths, strict=True)]
        i = 1 if faintest[1][0] > faintest[2][0] else 2
        if faintest[i][0] <= max(_UNSEEN_COST, _UNSEEN_PART * found.cost / sum(len(path) for path in found.paths)):
            return found
        self._bar(i, found.paths[i], faintest[i][1])
        other = meet(self._searches)
        straighter = other.sharpest > found.sharpest + _STRAIGHTER_DEG
        return other if straighter and other.cost < _AS_LIKELY * found.cost else found

    def bridged_nowhere(self, found: Meeting) -> Meeting:
        """Where paths look bridged, meet where all of them are seen all along, if there is such a place."""
        looped, faint = self._first.turned_back is not None, found.faintest(self._coarse)
        if not looped and faint <= _UNSEEN_COST:
            return found
        seen = meet([self._search(i, ground**_STEEPER) for i, ground in enumerate(self.grounds)])
        elsewhere = float(np.linalg.norm(seen.paths[0][0] - found.paths[0][0])) > _ELSEWHERE
        dear = seen.cost_on(self._coarse) > _DEAREST * found.cost_on(self._coarse)
        fainter = seen.faintest(self._coarse) >= (1.0 if looped else _SEEN_PART) * faint
        return found if not elsewhere or dear or fainter or seen.turned_back is not None else seen

    def _bar(self, i: int, path: Path, k: int) -> None:
        """Lay a bar across a path at its point ``k``, for the search to that path's end."""
        self._searches[i] = self._search(i, _barred(self._searches[i].ground, path, k))


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
