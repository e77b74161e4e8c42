"""A smooth planar curve sampled at one-pixel steps, and positions of pixels relative to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_SOME, _WALKS = 6, 3
"""Every how many samples of a curve a nearest one is looked for, and how often it is then made better."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve through ``points`` (N, 2), (row, column), N >= 3, equally spaced by ``step`` px along its length.

    ``tangent`` (N, 2) points towards the end; ``normal`` (N, 2) is the tangent turned so that positive lateral
    distances lie on the right hand of someone walking along the curve with the row axis pointing down. ``curvature``
    (N,), 1/px, is positive when the curve bends towards its normal.
    """

    points: Array
    tangent: Array
    normal: Array
    curvature: Array
    step: float

    @property
    def length(self) -> float:
        """Length, px."""
        return self.step * (len(self.points) - 1)

    @property
    def position(self) -> Array:
        """Arc length of each sample, shape (N,), px."""
        return np.asarray(self.step * np.arange(len(self.points)), dtype=np.float64)

    def at(self, s: Array) -> tuple[Array, Array]:
        """Points and normals at arc lengths ``s`` (M,), px, each (M, 2); points go on along the end tangents."""
        normal = self._along(self.normal, s, extend=False)
        return self._along(self.points, s, extend=True), normal / _lengths(normal)[:, None]

    def tangent_at(self, s: Array) -> Array:
        """Interpolate the unit tangents at arc lengths ``s`` (M,), shape (M, 2)."""
        t = self._along(self.tangent, s, extend=False)
        return np.asarray(t / _lengths(t)[:, None])

    def sample_near(self, s: Array) -> npt.NDArray[np.int64]:
        """Index of the sample nearest to arc lengths ``s`` (M,), px."""
        return np.clip(np.round(s / self.step).astype(np.int64), 0, len(self.points) - 1)

    def normal_near(self, s: Array) -> Array:
        """Give the normals at the samples nearest to arc lengths ``s`` (M,), px, shape (M, 2)."""
        return np.asarray(self.normal[self.sample_near(s)])

    def _along(self, values: Array, s: Array, *, extend: bool) -> Array:
        grid = self.position
        out = np.column_stack([np.interp(s, grid, values[:, k]) for k in (0, 1)])
        if extend:
            before, after = s < 0, s > grid[-1]
            out[before] = values[0] + s[before, None] * self.tangent[0]
            out[after] = values[-1] + (s[after] - grid[-1])[:, None] * self.tangent[-1]
        return out

    def locate(self, pixels: Array) -> tuple[Array, Array]:
        """Arc length and lateral distance of pixels.

        Parameters
        ----------
        pixels : ndarray, shape (P, 2)
            (row, column).

        Returns
        -------
        s, x : ndarray, shape (P,)
            Arc length of the nearest point (below 0 or above the length when it lies on the extended end tangents)
            and signed lateral distance, px.
        """
        k = self._nearest(pixels)
        along, across, kappa = self._seen_from(k, pixels)
        inside = (k > 0) & (k < len(self.points) - 1)
        bend = np.where(inside, np.clip(1 - kappa * across, 0.3, 3.0), 1.0)
        shift = along / bend
        lateral = np.where(inside, across - 0.5 * kappa * shift**2, across)
        return self.step * k + shift, lateral

    def _nearest(self, pixels: Array) -> npt.NDArray[np.int64]:
        """Index of the sample nearest to each pixel: the nearest of some of them, then steps along the curve."""
        some = self.points[::_SOME]
        away = (some * some).sum(1)[:, None] - (2 * some) @ pixels.T
        # the first of the least, by whole rows: the library's own search takes ten times as long for so few samples
        backwards = np.arange(len(some) - 1, -1, -1, dtype=np.uint16)[:, None]
        turned: npt.NDArray[np.int64] = ((away == away.min(0)) * backwards).max(0).astype(np.int64)
        k = _SOME * (len(some) - 1 - turned)
        last = len(self.points) - 1
        for _ in range(_WALKS):
            along, across, kappa = self._seen_from(k, pixels)
            shift = along / np.minimum(np.maximum(1 - kappa * across, 0.5), 2.0)
            k = np.minimum(np.maximum(k + np.rint(shift / self.step).astype(np.int64), 0), last)
        return k

    def _seen_from(self, k: npt.NDArray[np.int64], pixels: Array) -> tuple[Array, Array, Array]:
        """Distance of pixels (P, 2) along and across the curve from its samples ``k`` (P,), and the curvature there."""
        dr, dc = pixels.T - self.points.T.take(k, axis=1)
        tr, tc = self.tangent.T.take(k, axis=1)
        # the normal is (tangent column, minus tangent row)
        return dr * tr + dc * tc, dr * tc - dc * tr, self.curvature.take(k)


def curve_through(points: Array, smooth_px: float) -> Curve:
    """Smooth curve from a rough path.

    Parameters
    ----------
    points : ndarray, shape (K, 2)
        (row, column), in order.
    smooth_px : float
        SD of the Gaussian that smooths the path along its length, px; ends stay where they are.

    Returns
    -------
    Curve
        Sampled at about one-pixel steps.

    Raises
    ------
    ValueError
        If the path is shorter than 3 px.
    """
    from scipy.ndimage import gaussian_filter1d

    dense = resample(points, 0.5)
    if len(dense) < 6:
        msg = f"a curve needs at least 3 px of path, not {0.5 * (len(dense) - 1):.1f}"
        raise ValueError(msg)
    if smooth_px > 0:
        pad = min(int(4 * smooth_px / 0.5), len(dense) - 1)
        head = 2 * dense[0] - dense[pad:0:-1]
        tail = 2 * dense[-1] - dense[-2 : -pad - 2 : -1]
        padded = np.vstack([head, dense, tail])
        dense = gaussian_filter1d(padded, smooth_px / 0.5, axis=0)[pad : pad + len(dense)]
    even = resample(dense, 1.0)
    step = float(_lengths(even[1:] - even[:-1]).mean())
    d1 = np.gradient(even, step, axis=0)
    tangent = d1 / _lengths(d1)[:, None]
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    curvature = (np.gradient(tangent, step, axis=0) * normal).sum(1)
    return Curve(even, tangent, normal, curvature, step)


def _lengths(vectors: Array) -> Array:
    """Lengths (N,) of some vectors (N, 2), without what the library's own norm does for many dimensions."""
    return np.asarray(np.sqrt(vectors[:, 0] ** 2 + vectors[:, 1] ** 2))


def resample(points: Array, step: float) -> Array:
    """Points at equal arc-length steps along a polyline, both ends kept.

    Parameters
    ----------
    points : ndarray, shape (K, 2)
        Polyline; repeated points are dropped.
    step : float
        About the distance between the new points, px.

    Returns
    -------
    ndarray, shape (M, 2)
        At least two points.
    """
    gaps = _lengths(points[1:] - points[:-1])
    if gaps.min(initial=1.0) <= 1e-9:
        points = points[np.concatenate([[True], gaps > 1e-9])]
        gaps = _lengths(points[1:] - points[:-1])
    at = np.concatenate([[0.0], np.cumsum(gaps)])
    count = max(round(at[-1] / step), 1) + 1
    grid = np.linspace(0, at[-1], count)
    return np.column_stack([np.interp(grid, at, points[:, k]) for k in (0, 1)])
