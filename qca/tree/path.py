"""Paths along ridges between picks, and the place where three of them meet."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from qca.tree.halved import from_half, halved

_PAST_PX, _PAST_PART = 12.0, 0.2
"""Around a pick no path but its own leads, so far, px, and as a part of the distance to the nearest other pick: limbs
that cross or touch beyond their picks do not meet there."""
_PAST_COST = 100.0
"""Factor on the cost there."""

Image = npt.NDArray[np.float64]
Path = npt.NDArray[np.float64]


def ridge_cost(strength: Image, valid: npt.NDArray[np.bool_] | None, picks_rc: npt.NDArray[np.float64]) -> Image:
    """Cost of stepping onto a pixel: low on ridges, high on background and outside the valid region.

    The strength that counts as "on the ridge" is taken from around the picks, so one bright vessel elsewhere does not
    make the picked one look like background.

    Parameters
    ----------
    strength : ndarray, shape (rows, columns)
        Ridge strength.
    valid : ndarray of bool or None
        False under a shutter.
    picks_rc : ndarray, shape (K, 2)
        Picks, (row, column).

    Returns
    -------
    ndarray, shape (rows, columns)
        Positive cost per pixel of path.
    """
    near = [_peak_near(strength, p, 5) for p in picks_rc]
    scale = max(float(np.median(near)), 1e-9)
    level = np.minimum(strength / scale, 1.0)
    cost = 1.0 / (0.03 + level) ** 1.5
    if valid is not None:
        cost = np.where(valid, cost, cost.max() * 10)
    return np.asarray(cost, dtype=np.float64)


def _peak_near(strength: Image, point: npt.NDArray[np.float64], radius: int) -> float:
    r, c = np.round(point).astype(int)
    patch = strength[max(r - radius, 0) : r + radius + 1, max(c - radius, 0) : c + radius + 1]
    return float(patch.max()) if patch.size else 0.0


def snap(strength: Image, point_rc: npt.NDArray[np.float64], radius_px: float) -> npt.NDArray[np.int64]:
    """Nearest good ridge pixel to a pick.

    Strength is weighed against distance by a Gaussian of SD ``radius_px / 2``, so a pick near a weak branch is not
    drawn to a strong neighbour.

    Parameters
    ----------
    strength : ndarray, shape (rows, columns)
        Ridge strength.
    point_rc : ndarray, shape (2,)
        Pick, (row, column).
    radius_px : float
        How far it may be moved.

    Returns
    -------
    ndarray, shape (2,), int
        (row, column).
    """
    rows, cols = strength.shape
    reach = int(np.ceil(radius_px))
    r0, c0 = np.round(point_rc).astype(int)
    rr, cc = np.mgrid[max(r0 - reach, 0) : min(r0 + reach + 1, rows), max(c0 - reach, 0) : min(c0 + reach + 1, cols)]
    d2 = (rr - point_rc[0]) ** 2 + (cc - point_rc[1]) ** 2
    score = (strength[rr, cc] + 1e-12) * np.exp(-0.5 * d2 / (radius_px / 2) ** 2)
    score = np.where(d2 <= radius_px**2, score, -1.0)
    k = int(np.argmax(score))
    return np.array([rr.flat[k], cc.flat[k]], dtype=np.int64)


def shortest_path(cost: Image, start: npt.NDArray[np.int64], end: npt.NDArray[np.int64]) -> Path:
    """Find the cheapest path between two pixels.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)
        Positive cost per px of path.
    start, end : ndarray of int, shape (2,)
        (row, column).

    Returns
    -------
    ndarray, shape (N, 2)
        Pixels from ``start`` to ``end``, (row, column).
    """
    from skimage.graph import MCP_Geometric

    mcp = MCP_Geometric(cost)
    mcp.find_costs([tuple(start)], [tuple(end)])
    return np.asarray(mcp.traceback(tuple(end)), dtype=np.float64)


def meeting_paths(cost: Image, ends: npt.NDArray[np.int64]) -> list[Path]:
    """Three paths that meet where their total cost is least.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)
        Cost image.
    ends : ndarray, shape (3, 2), int
        (row, column) of the three ends.

    Returns
    -------
    list of ndarray
        Three paths, each from the common meeting pixel outwards to its end.
    """
    from skimage.graph import MCP_Geometric

    coarse = halved(cost)  # the mean of each four, for the cheapest of them makes a bargain of noise
    finders = []
    total = np.zeros_like(coarse)
    starts = [tuple(end) for end in ends // 2]
    for start, elsewhere in zip(starts, _past(coarse.shape, ends / 2), strict=True):
        mcp = MCP_Geometric(np.where(elsewhere, _PAST_COST * coarse, coarse))
        # where the paths meet is no further from an end than the nearer of the others: meeting there costs less
        far, _ = mcp.find_costs([start], [other for other in starts if other != start], find_all_ends=False)
        total += np.where(np.isfinite(far), far, 1e30)
        finders.append(mcp)
    meeting = tuple(int(v) for v in np.unravel_index(int(np.argmin(total)), total.shape))
    return [from_half(np.asarray(f.traceback(meeting), dtype=np.float64)[::-1]) for f in finders]


def _past(shape: tuple[int, int], ends: npt.NDArray[np.float64]) -> list[npt.NDArray[np.bool_]]:
    """For each of the ends, (row, column) on coarse pixels, what lies around the others."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    apart = np.linalg.norm(ends[:, None] - ends, axis=2)
    np.fill_diagonal(apart, np.inf)
    reach = np.minimum(_PAST_PX / 2, _PAST_PART * apart.min(1))
    around = [(rows - r) ** 2 + (columns - c) ** 2 < d * d for (r, c), d in zip(ends, reach, strict=True)]
    return [around[1] | around[2], around[0] | around[2], around[0] | around[1]]
