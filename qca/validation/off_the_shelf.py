"""What one gets from library calls alone: ridge filter, cheapest path, full width at half depth.

The comparator of the validation. It is given the same frame and the same picks as the measurement and shares no code
with it: scikit-image's Sato filter at several scales over the whole frame, a minimal-cost path between the picks,
perpendicular profiles, the full width at half depth on each, and a straight line through the healthy widths. The
catheter is measured by the same calls, so that the width's common bias (a cylinder's profile is at half depth at 0.87
of its diameter) cancels between catheter and vessel as far as it can.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.picks import LIMBS, Picks, Point

Vector = npt.NDArray[np.float64]
Points = npt.NDArray[np.float64]

RIDGE_SIGMAS_PX = (1.0, 3.0, 5.0, 7.0, 9.0)
"""Scales of the ridge filter: the library's own default, which suits half-widths from 1 to 15 px."""

_REACH_PX = 26.0
"""Profiles reach this far to either side of the centreline."""

_STEP_PX = 0.25
"""Sampling along a profile."""

_PARTED_PX = 2.0
"""Two paths from one pick have parted where they are this far from each other."""

_PATH_SMOOTHING_PX = 6.0
"""Standard deviation of the smoothing along the path, which runs from pixel to pixel."""

_WIDTH_SMOOTHING_PX = 2.0
"""Standard deviation of the smoothing of the widths along the limb, after a median of five."""

_LESION_PART = 0.9
_CHORD_MM = 5.0


class NothingTraced(RuntimeError):
    """The library calls gave no usable width along a limb."""


@dataclass(frozen=True, slots=True)
class PlainLimb:
    """Numbers of one limb; lengths in px. ``x_px``, ``y_px``, ``width_px`` run from the branching point outwards."""

    mld_px: float
    reference_px: float
    ds_percent: float
    lesion_length_px: float
    x_px: Vector
    y_px: Vector
    width_px: Vector


@dataclass(frozen=True, slots=True)
class PlainReading:
    """What the library calls give for one frame. ``mm_per_px`` is NaN without a catheter."""

    mm_per_px: float
    limbs: Mapping[str, PlainLimb]
    angles_deg: Mapping[str, float] | None


def read_plainly(frame: Frame, picks: Picks) -> PlainReading:
    """Measure one frame with library calls.

    Parameters
    ----------
    frame : Frame
        Vessels darker than their surroundings, unless the frame says otherwise.
    picks : Picks
        Three points, or two for a segment; a catheter with its size, or ``mm_per_px``.

    Returns
    -------
    PlainReading

    Raises
    ------
    NothingTraced
        If a limb or the catheter gives no width.
    """
    from skimage.filters import sato

    image = np.asarray(frame.pixels if frame.dark_vessels is not False else -frame.pixels)
    ridge = sato(image, sigmas=RIDGE_SIGMAS_PX, black_ridges=True)  # type: ignore[no-untyped-call]
    cost = 1.0 / (ridge / np.percentile(ridge, 99.5) + 0.02)
    mm_per_px = _scale(image, cost, picks)
    if picks.is_segment:
        path = _path(cost, _need(picks.start), _need(picks.end))
        limbs = {"segment": _limb(image, path, 0.0)}
        return PlainReading(mm_per_px, MappingProxyType(limbs), None)
    trunk, ends = _tree(cost, picks)
    rough = {name: _widths(image, path) for name, path in ends.items()}
    # the confluence: as far from the branching point as the widest limb is wide
    core = float(np.nanmax([np.nanmedian(width) for width in rough.values()]))
    limbs = {name: _limb(image, ends[name], core) for name in LIMBS}
    chord = 25.0 if math.isnan(mm_per_px) else _CHORD_MM / mm_per_px
    return PlainReading(mm_per_px, MappingProxyType(limbs), MappingProxyType(_angles(trunk, limbs, chord)))


def _need(point: Point | None) -> Point:
    if point is None:
        msg = "a point is missing"
        raise NothingTraced(msg)
    return point


def _cell(point: Point, shape: tuple[int, int]) -> tuple[int, int]:
    row, column = round(point[1]), round(point[0])
    return min(max(row, 0), shape[0] - 1), min(max(column, 0), shape[1] - 1)


def _path(cost: Points, start: Point, end: Point) -> Points:
    """Cheapest path, (N, 2) as (row, column), smoothed."""
    from skimage.graph import route_through_array

    shape = (cost.shape[0], cost.shape[1])
    steps, _ = route_through_array(  # type: ignore[no-untyped-call]
        cost, _cell(start, shape), _cell(end, shape), geometric=True
    )
    return _smooth(np.array(steps, dtype=float))


def _smooth(path: Points) -> Points:
    from scipy.ndimage import gaussian_filter1d

    if len(path) < 8:
        return path
    return np.asarray(gaussian_filter1d(path, _PATH_SMOOTHING_PX, axis=0, mode="nearest"))


def _tree(cost: Points, picks: Picks) -> tuple[Vector, dict[str, Points]]:
    """Branching point (row, column) and the three limbs from it outwards.

    Each pair of picks is joined by its cheapest path. From each pick two paths leave together and part somewhere; the
    branching point is the mean of the three places where they part.
    """
    from skimage.graph import MCP_Geometric

    shape = (cost.shape[0], cost.shape[1])
    cell: dict[str, tuple[int, int]] = {name: _cell(_need(getattr(picks, name)), shape) for name in LIMBS}
    joined: dict[tuple[str, str], Points] = {}
    for start, ends in (("proximal", ("distal", "side")), ("distal", ("side",))):
        field = MCP_Geometric(cost)
        field.find_costs([cell[start]], [cell[end] for end in ends])
        for end in ends:
            steps = np.array(field.traceback(cell[end]), dtype=float)
            joined[start, end], joined[end, start] = steps, steps[::-1]
    shared: dict[str, Points] = {}
    for name in LIMBS:
        one, two = (joined[name, other] for other in LIMBS if other != name)
        apart = np.flatnonzero(np.hypot(*(one[: len(two)] - two[: len(one)]).T) > _PARTED_PX)
        shared[name] = one[: max(int(apart[0]) if len(apart) else min(len(one), len(two)), 1)]
    point: Vector = np.mean(np.array([steps[-1] for steps in shared.values()]), axis=0)
    limbs = {name: _smooth(np.vstack([_straight(point, steps[-1]), steps[::-1]])) for name, steps in shared.items()}
    return point, limbs


def _straight(start: Vector, end: Vector) -> Points:
    """Points about one pixel apart from ``start`` towards ``end``, without ``end``."""
    count = max(round(float(np.hypot(*(end - start)))), 1)
    return np.asarray(start + np.arange(count)[:, None] / count * (end - start))


def _arc(path: Points) -> Vector:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])


def _widths(image: Points, path: Points) -> Vector:
    """Full width at half depth at each point of a path, px; NaN where a side never rises to half."""
    from scipy.ndimage import map_coordinates, uniform_filter1d

    if len(path) < 5:
        msg = "a limb is shorter than five pixels"
        raise NothingTraced(msg)
    tangent = np.gradient(path, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-12
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    offset = np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX)
    where = path[:, None, :] + offset[None, :, None] * normal[:, None, :]
    rows = map_coordinates(image, [where[..., 0], where[..., 1]], order=1, mode="nearest")
    rows = uniform_filter1d(rows, 5, axis=0, mode="nearest")  # five neighbours along the vessel against the noise
    rows = uniform_filter1d(rows, 5, axis=1, mode="nearest")
    return np.array([_half_width(row, offset) for row in rows])


def _half_width(row: Vector, offset: Vector) -> float:
    middle = len(row) // 2
    near = slice(middle - round(4 / _STEP_PX), middle + round(4 / _STEP_PX) + 1)
    deepest = near.start + int(np.argmin(row[near]))
    background = 0.5 * (np.percentile(row[:deepest], 75) + np.percentile(row[deepest + 1 :], 75))
    half = 0.5 * (background + row[deepest])
    left = np.flatnonzero(row[:deepest] >= half)
    right = np.flatnonzero(row[deepest:] >= half)
    if not len(left) or not len(right):
        return math.nan
    a, b = int(left[-1]), deepest + int(right[0])

    def crossing(i: int, j: int) -> float:
        return float(offset[i] + (half - row[i]) / (row[j] - row[i]) * (offset[j] - offset[i]))

    return crossing(b - 1, b) - crossing(a, a + 1)


def _limb(image: Points, path: Points, core_px: float) -> PlainLimb:
    from scipy.ndimage import gaussian_filter1d, median_filter

    width = _widths(image, path)
    known = np.isfinite(width)
    s = _arc(path)
    if known.sum() < 5:
        msg = "no width at half depth along a limb"
        raise NothingTraced(msg)
    width = np.interp(s, s[known], width[known])
    width = gaussian_filter1d(median_filter(width, 5, mode="nearest"), _WIDTH_SMOOTHING_PX, mode="nearest")
    use = s >= min(core_px, 0.5 * s[-1])
    s, width, path = s[use], width[use], path[use]
    line = _healthy_line(s, width)
    at = int(np.argmin(width))
    mld, reference = float(width[at]), float(line[at])
    narrow = width < _LESION_PART * line
    length = 0.0
    if narrow[at]:
        first, last = at, at
        while first > 0 and narrow[first - 1]:
            first -= 1
        while last < len(s) - 1 and narrow[last + 1]:
            last += 1
        length = float(s[last] - s[first])
    return PlainLimb(mld, reference, 100 * (1 - mld / reference), length, path[:, 1], path[:, 0], width)


def _healthy_line(s: Vector, width: Vector) -> Vector:
    """Straight line through the widths that are not narrowed: fitted, narrow ones dropped, fitted again."""
    use = width >= np.percentile(width, 40)
    line = np.full_like(width, np.median(width[use]))
    for _ in range(6):
        slope, level = np.polyfit(s[use], width[use], 1)
        limit = 0.3 * np.median(width[use]) / max(s[-1] - s[0], 1.0)
        slope = float(np.clip(slope, -limit, limit))
        level = float(np.mean(width[use] - slope * s[use]))
        line = level + slope * s
        again = (width > 0.93 * line) & (width < 1.15 * line)
        if again.sum() < 5:
            break
        use = again
    return np.asarray(line)


def _scale(image: Points, cost: Points, picks: Picks) -> float:
    if picks.mm_per_px is not None:
        return picks.mm_per_px
    if picks.catheter is None:
        return math.nan
    size = picks.catheter_mm if picks.catheter_mm is not None else (picks.french or math.nan) / 3
    width = _widths(image, _path(cost, *picks.catheter))
    found = float(np.nanmedian(width))
    if not math.isfinite(found):
        msg = "no width at half depth along the catheter"
        raise NothingTraced(msg)
    return size / found


def _angles(trunk: Vector, limbs: Mapping[str, PlainLimb], chord_px: float) -> dict[str, float]:
    direction = {}
    for name, limb in limbs.items():
        away = np.hypot(limb.y_px - trunk[0], limb.x_px - trunk[1])
        beyond = np.flatnonzero(away >= chord_px)
        at = int(beyond[0]) if len(beyond) else len(away) - 1
        direction[name] = np.array([limb.y_px[at] - trunk[0], limb.x_px[at] - trunk[1]])

    def between(a: str, b: str) -> float:
        u, v = direction[a], direction[b]
        return float(np.degrees(np.arccos(np.clip(u @ v / (np.linalg.norm(u) * np.linalg.norm(v)), -1, 1))))

    return {"A": between("proximal", "side"), "B": between("distal", "side"), "C": between("proximal", "distal")}
