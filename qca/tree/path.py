"""Paths along ridges between picks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_NEAR_PX = 5
"""Around a pick the strength of its ridge is looked for."""
_FAINTEST = 0.25
"""A limb's ridge is at least this part of the usual one; what is fainter is noise."""

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
    return _cost_of(strength, valid, _usual(_near(strength, picks_rc)))


def ridge_costs(strength: Image, valid: npt.NDArray[np.bool_] | None, picks_rc: npt.NDArray[np.float64]) -> list[Image]:
    """Cost of `ridge_cost` for each pick's own path: a limb fainter than most counts as a ridge, too.

    Otherwise a long way in a faint lumen costs more than a few px of background between it and its neighbour.

    Parameters
    ----------
    strength, valid, picks_rc : ndarray
        As above.

    Returns
    -------
    list of ndarray, shape (rows, columns)
        One for each pick; picks that are not fainter than most share one array.
    """
    near = _near(strength, picks_rc)
    usual = _usual(near)
    shared = _cost_of(strength, valid, usual)
    return [shared if own >= usual else _cost_of(strength, valid, max(own, _FAINTEST * usual)) for own in near]


def _cost_of(strength: Image, valid: npt.NDArray[np.bool_] | None, scale: float) -> Image:
    level = np.minimum(strength / scale, 1.0)
    level += 0.03
    cost = 1.0 / (level * np.sqrt(level))
    if valid is not None:
        cost = np.where(valid, cost, cost.max() * 10)
    return np.asarray(cost, dtype=np.float64)


def _near(strength: Image, picks_rc: npt.NDArray[np.float64]) -> list[float]:
    """Strength of each pick's ridge."""
    return [_peak_near(strength, p, _NEAR_PX) for p in picks_rc]


def _usual(near: list[float]) -> float:
    return max(float(np.median(near)), 1e-9)


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


def arc_length(path: Path) -> npt.NDArray[np.float64]:
    """Arc length, (N,), at each point of a path (N, 2)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
