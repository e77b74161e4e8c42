"""Rough limbs from picks: ridge paths that meet, and a first radius along each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from qca.errors import LimbTooShort
from qca.tree.fork import meeting_paths
from qca.tree.halved import from_half, halved, to_half
from qca.tree.led_path import lead
from qca.tree.path import ridge_cost, ridge_costs, shortest_path, snap
from qca.tree.ridge import RIDGE_SCALES_PX, near_axis, ridge_strength
from qca.tree.steady import steadier
from qca.tube.curve import Curve, curve_through
from qca.tube.median import median

Array = npt.NDArray[np.float64]
Ends = npt.NDArray[np.int64]

FIRST_SMOOTH_PX = 5.0
"""SD of the Gaussian that smooths a traced path into a first curve, px."""
_WIDE_PX = 9.0
"""From this radius on larger pixels are used: half of what templates span, and about all that the ridge filter sees."""
_FEW, _THIN_PX = 4, 7.0
"""Where every fourth profile tells of a radius under this, the limb is not wide."""
_LEAST_RADIUS_PX = 4.0
"""Radius from which on a pick on the wall may be too far from the axis to be drawn there."""
_OFF_AXIS_PX, _OFF_AXIS_PART = 2.0, 0.3
"""An end this far from the axis, px and as a part of the radius, is drawn to it: others are not worth a second look."""
_STRIP_PX, _CLEARLY = 8.0, 4.0
"""Levels along a way are means this far to both sides; one is lighter from so many standard errors on."""
_LEAST_SIDE = 64
"""An image with a smaller side is not halved, px."""
REACH_PX = 24.0
"""Half-length of the cross profiles in which a first radius is looked for."""
_WIDEST = 1.6
"""First radius at most, times the limb's median: where a lesion leaves next to no lumen, the widest template matches
the background best."""


@dataclass(frozen=True, slots=True)
class Crop:
    """The part of a frame that is worked on.

    ``image`` (rows, columns) with vessels dark, ``valid`` of the same shape, and ``origin`` (2,), the (row, column) of
    its corner in the frame.
    """

    image: Array
    valid: npt.NDArray[np.bool_]
    origin: Array


def crop_around(image: Array, valid: npt.NDArray[np.bool_], points_rc: Array, margin_px: float) -> Crop:
    """Cut the frame to the bounding box of some points plus a margin.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey values.
    valid : ndarray of bool, shape (rows, columns)
        False under a shutter.
    points_rc : ndarray, shape (K, 2)
        (row, column).
    margin_px : float
        On all four sides, as far as the frame reaches.

    Returns
    -------
    Crop
        Views where all is valid. What lies under a shutter is replaced by the nearest valid pixel, so that its value
        makes no difference.
    """
    lo = np.maximum(np.floor(points_rc.min(0) - margin_px), 0).astype(int)
    hi = np.minimum(np.ceil(points_rc.max(0) + margin_px) + 1, image.shape).astype(int)
    window = (slice(lo[0], hi[0]), slice(lo[1], hi[1]))
    return Crop(_uncovered(image[window], valid[window]), valid[window], lo.astype(float))


def _uncovered(image: Array, valid: npt.NDArray[np.bool_]) -> Array:
    """Image with the nearest valid value wherever it is not valid."""
    if valid.all() or not valid.any():
        return image
    from scipy.ndimage import distance_transform_edt

    rows, columns = distance_transform_edt(~valid, return_distances=False, return_indices=True)
    return np.asarray(image[rows, columns])


def trace_tree(
    crop: Crop,
    picks_rc: Array,
    pick_radius_px: float,
    scales_px: Sequence[float] = RIDGE_SCALES_PX,
    through: Sequence[Array] = (),
) -> list[Array]:
    """Ridge paths from the meeting point to each pick.

    A wide vessel has no ridge at these scales: its path would wander from wall to wall. Where limbs turn out to be
    wide, they are traced on larger pixels.

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
    through : sequence of ndarray, shape (K, 2)
        Points in crop coordinates that each path is led through by hand; none where the sequence is empty.

    Returns
    -------
    list of ndarray
        Three paths (N, 2) from the meeting point outwards, or one path from start to end.

    Raises
    ------
    LimbTooShort
        If a path has fewer than 6 px.
    """
    paths, ends = _traced(crop, picks_rc, pick_radius_px, scales_px, through)
    curves = [curve_through(path, FIRST_SMOOTH_PX) for path in paths]
    # a few profiles say how wide thin ones are
    widths = _widths(crop.image, curves, _FEW)
    # a single path is a segment's or a catheter's, and is followed from its own two ends only
    on_axes = _on_axes(crop, picks_rc, ends, widths) if len(ends) == 3 else ends
    if (on_axes != ends).any():
        paths, _ = _traced(crop, picks_rc, pick_radius_px, scales_px, through, on_axes)
        curves = [curve_through(path, FIRST_SMOOTH_PX) for path in paths]
        widths = _widths(crop.image, curves, _FEW)
    wide = max(widths) > _THIN_PX and max(_widths(crop.image, curves, 1)) > _WIDE_PX
    if not wide or min(crop.image.shape) < _LEAST_SIDE:
        return paths
    larger = Crop(halved(crop.image), halved(crop.valid.astype(float)) == 1, to_half(crop.origin))
    try:
        traced = trace_tree(
            larger, to_half(picks_rc), pick_radius_px / 2, scales_px, [to_half(points) for points in through]
        )
    except LimbTooShort:
        return paths
    # two lumens side by side look like one wide one from the thinner of them
    if 2 * max(_widths(larger.image, [curve_through(path, FIRST_SMOOTH_PX / 2) for path in traced], 1)) <= _WIDE_PX:
        return paths
    return [from_half(path) for path in traced]


def _widths(image: Array, curves: Sequence[Curve], every: int) -> list[float]:
    """Usual radius along rough curves, px, from every so manieth profile."""
    return [median(first_radius(image, c.points[::every], c.normal[::every], REACH_PX)) for c in curves]


def _on_axes(crop: Crop, picks_rc: Array, ends: Ends, widths: Sequence[float]) -> Ends:
    """Draw ends of paths to the axis of a lumen so wide that its wall lies beyond where they were looked for."""
    found = ends.copy()
    for i, (pick, radius) in enumerate(zip(picks_rc, widths, strict=True)):
        if radius > _LEAST_RADIUS_PX and _lit_around(crop, ends[i], 2 * radius):
            axis = near_axis(-crop.image, pick, radius)
            far = np.linalg.norm(axis - ends[i]) > max(_OFF_AXIS_PX, _OFF_AXIS_PART * radius)
            if far and not _in_another(crop.image, ends[i], axis):
                found[i] = axis
    return found


def _in_another(image: Array, end: Ends, axis: Ends) -> bool:
    """Whether it gets lighter on the way from an end to an axis, which then is another lumen's or lies between two."""
    from scipy.ndimage import map_coordinates

    way = (axis - end) / np.linalg.norm(axis - end)
    on, beside = np.arange(0.0, np.linalg.norm(axis - end) + 0.5), np.arange(-_STRIP_PX, _STRIP_PX + 1)
    across = np.array([way[1], -way[0]])
    where = end[:, None, None] + way[:, None, None] * on[:, None] + across[:, None, None] * beside
    strip = map_coordinates(image, where, order=1, mode="nearest")
    level, error = strip.mean(1), float(np.sqrt(strip.var(1).mean() / len(beside)))
    return bool(level.max() - level[0] > _CLEARLY * error)


def _lit_around(crop: Crop, point: Ends, within_px: float) -> bool:
    """Whether all is valid around a point: a shutter's edge looks like the axis of something wide."""
    reach = int(np.ceil(within_px))
    rows, columns = (slice(max(int(k) - reach, 0), int(k) + reach + 1) for k in point)
    return bool(crop.valid[rows, columns].all())


def _traced(
    crop: Crop,
    picks_rc: Array,
    pick_radius_px: float,
    scales_px: Sequence[float],
    through: Sequence[Array],
    ends: Ends | None = None,
) -> tuple[list[Array], Ends]:
    """Do what `trace_tree` does, on pixels as they are; also give the paths' ends, drawn to ridges if not given."""
    # in units of the picture itself, so that single precision rounds alike whatever the gain: many ways through a wide
    # lumen cost the same
    middle = float(np.median(crop.image))
    spread = float(np.median(np.abs(crop.image - middle))) or 1.0
    strength = ridge_strength((middle - crop.image) / spread, scales_px)
    if ends is None:
        ends = np.array([snap(strength, p, pick_radius_px) for p in picks_rc])
    if len(ends) == 2:
        names: tuple[str, ...] = ("segment",)
        costs = [ridge_cost(strength, crop.valid, picks_rc)]
        paths = [shortest_path(costs[0], *ends)]
        steady = steadier([to_half(paths[0])], [halved(costs[0])], [tuple(ends[1] // 2)])
        paths = paths if steady is None else [from_half(path) for path in steady]
    else:
        names = ("proximal", "distal", "side")
        costs = ridge_costs(strength, crop.valid, picks_rc)
        paths = meeting_paths(costs, ends)
    if through:
        paths = [lead(*led) for led in zip(paths, costs, through, names, strict=True)]
    for path, name in zip(paths, names, strict=True):
        if len(path) < 6:
            msg = (
                f"the {name} limb is too short to measure: move its pick further from the branching point, "
                "and check that the other points lie on their vessels"
            )
            raise LimbTooShort(msg, limb=name)
    return paths, ends


def first_radius(image: Array, points: Array, normal: Array, reach_px: float) -> Array:
    """Rough radius along a curve by matching chord templates to averaged cross profiles.

    A lumen wider than most templates is matched on larger pixels.

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
    return first_look(image, points, normal, reach_px)[0]


def first_look(image: Array, points: Array, normal: Array, reach_px: float) -> tuple[Array, Array]:
    """Give the radius of `first_radius` (N,) and the contrast of the matching templates (N,), in a unit of its own."""
    from scipy.ndimage import median_filter

    rows = cross_profiles(image, points, normal, reach_px)
    radii, across, turned = _templates(reach_px)
    fitted = (rows @ across).reshape(len(rows), len(radii), 3)
    energy = np.einsum("nkj,nkj->nk", fitted, fitted)
    # a vessel is darker than its surroundings
    best = np.where(fitted[:, :, 2] * np.sign(turned) < 0, energy, -np.inf).argmax(1)
    radius = radii[best]
    usual = median(radius)
    if usual > _WIDE_PX and min(image.shape) >= _LEAST_SIDE:
        half, faded = first_look(halved(image), to_half(points), normal, reach_px)
        return 2 * half, faded
    smooth = median_filter(radius, size=15, mode="nearest")
    contrast = -fitted[np.arange(len(rows)), best, 2] / turned[best]
    return np.asarray(np.minimum(smooth, _WIDEST * usual), dtype=np.float64), np.asarray(contrast)


def cross_profiles(image: Array, points: Array, normal: Array, reach_px: float) -> Array:
    """Cross profiles (N, M) along a curve, each the mean of a few neighbours; see `first_radius`."""
    from scipy.ndimage import map_coordinates, uniform_filter1d

    x = np.arange(-reach_px, reach_px + 0.5, 1.0)
    where = points[:, :, None] + normal[:, :, None] * x
    rows = map_coordinates(image, [where[:, 0], where[:, 1]], order=1, mode="nearest")
    return np.asarray(uniform_filter1d(rows, 7, axis=0, mode="nearest"))


@lru_cache(maxsize=4)
def _templates(reach_px: float) -> tuple[Array, Array, Array]:
    """Chord templates on a straight background for all radii and shifts, K of them, M samples across.

    Returns
    -------
    radii : ndarray, shape (K,)
    across : ndarray, shape (M, 3 K)
        Orthonormal bases of (1, x, chord), template by template.
    turned : ndarray, shape (K,)
        The chord's part along the last vector of each basis.
    """
    x = np.arange(-reach_px, reach_px + 0.5, 1.0)
    radii, designs = [], []
    for r in np.arange(1.5, reach_px * 0.72, 0.75):
        for shift in (-2.0, -1.0, 0.0, 1.0, 2.0):
            chord = np.sqrt(np.maximum((r + 0.5) ** 2 - (x - shift) ** 2, 0))
            radii.append(r)
            designs.append(np.column_stack([np.ones_like(x), x, np.convolve(chord, [0.25, 0.5, 0.25], "same")]))
    q, upper = np.linalg.qr(np.array(designs))
    return np.array(radii), q.transpose(1, 0, 2).reshape(len(x), -1), upper[:, 2, 2]
