"""The cheapest place where three paths meet, and what such a meeting looks like; all in coarse pixels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.path import arc_length

_CHORD_PX, _TURNED_BACK_DEG = 40.0, 75.0
"""A daughter's first 40 px turn back where they lie within 75 degrees of the proximal path's: at forks, drawn by
ourselves or by others, this is 90 and more, and under 50 where a loop was closed."""
_HARDLY_PX, _POINT_PX = 24.0, 12.0
"""A path shorter than the first is hardly one: a lumen's half-width and the least length of a limb. One shorter than
the second points nowhere."""
_BESIDE_PICK = 4
"""The last points of a path lead from axis to pick."""

Image = npt.NDArray[np.float64]
Path = npt.NDArray[np.float64]


class Search:
    """Cheapest ways across a ``ground`` to one end.

    Parameters
    ----------
    ground : ndarray, shape (rows, columns)
        Positive cost per pixel of path.
    end : tuple of int
        (row, column).
    others : list of tuple of int
        Nothing further than the nearest of these is looked at.
    """

    def __init__(self, ground: Image, end: tuple[int, ...], others: list[tuple[int, ...]]) -> None:
        from skimage.graph import MCP_Geometric

        self.ground = ground
        self._finder = MCP_Geometric(ground)
        far, _ = self._finder.find_costs([end], others, find_all_ends=False)
        self.far = np.where(np.isfinite(far), far, 1e30)

    def path(self, place: tuple[int, ...]) -> Path:
        """From a place to the end, (N, 2) coarse pixels."""
        return np.asarray(self._finder.traceback(place), dtype=np.float64)[::-1]


class Meeting(NamedTuple):
    """Three paths (N, 2) from where they meet outwards, and what they cost together, bars included."""

    paths: list[Path]
    cost: float

    def faintest(self, grounds: Sequence[Image]) -> float:
        """Give the cost of the faintest stretch of all paths, per coarse px of cost images."""
        return max(faintest_of(ground, path)[0] for ground, path in zip(grounds, self.paths, strict=True))

    def cost_on(self, grounds: Sequence[Image]) -> float:
        """Add up the paths' costs on cost images."""
        costs = [
            np.hypot(*np.diff(path, axis=0).T) @ ground[tuple(path[1:].astype(int).T)]
            for ground, path in zip(grounds, self.paths, strict=True)
        ]
        return float(sum(costs))

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


def meet(searches: Sequence[Search]) -> Meeting:
    """Find the pixel from which the ways to all ends cost least together."""
    total = np.sum([search.far for search in searches], axis=0)
    place = tuple(int(v) for v in np.unravel_index(int(np.argmin(total)), total.shape))
    return Meeting([search.path(place) for search in searches], float(total[place]))


def faintest_of(ground: Image, path: Path) -> tuple[float, int]:
    """Give the largest mean cost of three neighbours on a path, short of its end, and the index of the second."""
    cost = ground[tuple(path[: max(len(path) - _BESIDE_PICK, 3)].astype(int).T)]
    if len(cost) < 3:
        return 0.0, 0
    mean = np.convolve(cost, np.full(3, 1 / 3), "valid")
    return float(mean.max()), int(mean.argmax()) + 1
