"""Rough limbs from picks: ridge paths that meet, and a first radius along each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.errors import LimbTooShort
from qca.tree.path import meeting_paths, ridge_cost, shortest_path, snap
from qca.tree.ridge import RIDGE_SCALES_PX, ridge_strength

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Crop:
    """The part of a frame that is worked on: ``image`` with vessels dark, ``valid``, and the (row, column) of its corner."""

    image: Array
    valid: npt.NDArray[np.bool_]
    origin: Array


def crop_around(image: Array, valid: npt.NDArray[np.bool_], points_rc: Array, margin_px: float) -> Crop:
    """Cut the frame to the bounding box of ``points_rc`` (K, 2) plus a margin."""
    lo = np.maximum(np.floor(points_rc.min(0) - margin_px), 0).astype(int)
    hi = np.minimum(np.ceil(points_rc.max(0) + margin_px) + 1, image.shape).astype(int)
    window = (slice(lo[0], hi[0]), slice(lo[1], hi[1]))
    return Crop(image[window], valid[window], lo.astype(float))


def trace_tree(
    crop: Crop, picks_rc: Array, pick_radius_px: float, scales_px: Sequence[float] = RIDGE_SCALES_PX
) -> list[Array]:
    """Ridge paths from the meeting point to each pick.

    Parameters
    ----------
    crop : Crop
        Image with vessels dark.
    picks_rc : ndarray, shape (3, 2) or (2, 2)
        Picks in crop coordinates: proximal, distal, side; or start, end of one segment.
    pick_radius_px : float
        How far a pick may be drawn to a ridge.
    scales_px : sequence of float
        Scales of the ridge filter.

    Returns
    -------
    list of ndarray
        Three paths (N, 2) from the meeting point outwards, or one path from start to end.

    Raises
    ------
    LimbTooShort
        If a path has fewer than 6 px.
    """
    strength = ridge_strength(-crop.image, scales_px)
    ends = np.array([snap(strength, p, pick_radius_px) for p in picks_rc])
    cost = ridge_cost(strength, crop.valid, picks_rc)
    if len(ends) == 2:
        paths = [shortest_path(cost, ends[0], ends[1])]
    else:
        paths = meeting_paths(cost, ends)
    for path, name in zip(paths, ("proximal", "distal", "side") if len(paths) == 3 else ("segment",), strict=True):
        if len(path) < 6:
            msg = f"the {name} limb is too short to measure: move its pick further from the branching point"
            raise LimbTooShort(msg, limb=name)
    return paths


def first_radius(image: Array, points: Array, normal: Array, reach_px: float) -> Array:
    """Rough radius along a curve by matching chord templates to averaged cross profiles.

    Parameters
    ----------
    image : ndarray
        Image with vessels dark.
    points, normal : ndarray, shape (N, 2)
        Curve samples about 1 px apart and unit normals.
    reach_px : float
        Half-length of the cross profiles.

    Returns
    -------
    ndarray, shape (N,)
        Radius, px.
    """
    from scipy.ndimage import map_coordinates, median_filter, uniform_filter1d

    x = np.arange(-reach_px, reach_px + 0.5, 1.0)
    where = points[:, :, None] + normal[:, :, None] * x
    rows = map_coordinates(image, [where[:, 0], where[:, 1]], order=1, mode="nearest")
    rows = uniform_filter1d(rows, 7, axis=0, mode="nearest")
    best = np.full(len(points), np.inf)
    radius = np.full(len(points), 2.0)
    base = np.column_stack([np.ones_like(x), x])
    for r in np.arange(1.5, reach_px * 0.72, 0.75):
        for shift in (-2.0, -1.0, 0.0, 1.0, 2.0):
            u = np.abs(x - shift)
            chord = np.sqrt(np.maximum((r + 0.5) ** 2 - u**2, 0))
            chord = np.convolve(chord, [0.25, 0.5, 0.25], "same")
            design = np.column_stack([base, chord])
            coef, *_ = np.linalg.lstsq(design, rows.T, rcond=None)
            sse = ((rows.T - design @ coef) ** 2).sum(0)
            better = (sse < best) & (coef[2] < 0)
            best[better] = sse[better]
            radius[better] = r
    return np.asarray(median_filter(radius, size=15, mode="nearest"), dtype=np.float64)
