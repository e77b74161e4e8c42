"""Pixels around a catheter shaft: where they lie along and across it, and the bases of axis and background."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.band import painted, pixels_of
from qca.tube.censored import Censored
from qca.tube.curve import Curve
from qca.tube.noise import LEAST_NOISE, MAD_TO_SD, typical_correlation
from qca.tube.normal import Block, Factor, Pattern, spline_block
from qca.tube.plane import Plane
from qca.tube.rounding import rounding_correlation, rounding_variance
from qca.tube.shaft_model import ShaftOptions
from qca.tube.spline import Spline, following

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

FIXED = 6
"""Parameters of the whole shaft: log outer radius, lumen ratio, wall over lumen, amplitude, log blur, taper."""
_BESIDE_PX = 2.5
"""Pixels this far outside the first wall count as background."""


@dataclass(frozen=True, slots=True)
class ShaftPixels:
    """P pixels around a shaft, A axis and B background coefficients.

    Parameters
    ----------
    curve : Curve
        Rough axis.
    reach : float
        Largest distance from it, px.
    s, x : ndarray, shape (P,)
        Arc length and lateral distance, px.
    u : ndarray, shape (P,)
        Arc length from -0.5 to 0.5.
    level : ndarray, shape (P,)
        Grey levels, catheter dark.
    censored : Censored
        Which of them lie at an end of the grey scale.
    axis_spline : Spline
        Lateral offsets of the axis from the curve.
    axis_basis : ndarray, shape (P, 4)
        The weights at each pixel of the four of them that it touches.
    axis_cell : ndarray, shape (P,), int
        The first of the four axis coefficients that a pixel touches.
    plane : Plane
        The background, a bicubic spline over the plane.
    first_ground : ndarray, shape (B,)
        Background from the pixels beside the shaft.
    depth : ndarray, shape (P,)
        Grey levels below that background.
    noise : float
        SD of the noise beside the shaft, grey levels.
    least, rounding : float
        What no noise comes under, grey levels, and the variance of rounding in it.
    correlation : float
        By how much the variance that neighbours' shared noise has for what is smooth is more than a pixel's.
    base : float
        Median of that background, grey levels.
    pattern : Pattern
        Which parameters a pixel touches: `FIXED` of the whole shaft, four of the axis and sixteen of the background.
    """

    curve: Curve
    reach: float
    s: Array
    x: Array
    u: Array
    level: Array
    censored: Censored
    axis_spline: Spline
    axis_basis: Array
    axis_cell: Index
    plane: Plane
    first_ground: Array
    depth: Array
    noise: float
    least: float
    rounding: float
    correlation: float
    base: float
    pattern: Pattern

    @classmethod
    def around(
        cls,
        image: Array,
        curve: Curve,
        radius_px: float,
        options: ShaftOptions,
        valid: Mask | None,
    ) -> ShaftPixels:
        """Pixels within ``options.margin_px`` of the walls.

        Parameters
        ----------
        image : ndarray, shape (rows, columns)
            Grey levels, catheter dark.
        curve : Curve
            Rough axis.
        radius_px : float
            Rough outer radius.
        options : ShaftOptions
            Margin and knots.
        valid : ndarray of bool, shape (rows, columns), or None
            Usable pixels; None: all.
        """
        reach = radius_px + options.margin_px
        usable = np.ones((image.shape[0], image.shape[1]), dtype=bool) if valid is None else valid
        where = pixels_of(painted(curve.points, np.full(len(curve.points), reach), usable) & usable)
        s, x = curve.locate(where)
        rows, columns = where.astype(np.int64).T
        keep = (s >= 0) & (s <= curve.length) & (np.abs(x) <= reach)
        # in the order of the shaft, so that neighbours in the list touch the same coefficients
        order = np.flatnonzero(keep)
        order = order[np.argsort(s[order], kind="stable")]
        rows, columns, s, x = rows[order], columns[order], s[order], x[order]
        level = image[rows, columns]
        axis_spline = Spline.over(curve.length, options.axis_knot_px)
        plane = Plane(np.column_stack([rows, columns]).astype(float), options.background_knot_px)
        axis_cell, axis_basis = axis_spline.basis(s)
        beside = np.abs(x) > radius_px + _BESIDE_PX
        beside |= not beside.any()
        some = np.flatnonzero(beside)
        pattern = Pattern.of([spline_block(np.arange(len(some)), plane.column[some])], [len(some)], plane.count)
        normal, vector = pattern.normal(plane.value[some].ravel(), level[some])
        first_ground = Factor(normal + 0.3 * plane.penalty, 1e-6, own=True).solve(vector)
        background = plane.evaluate(first_ground)
        depth = background - level
        rounding = rounding_variance(level)
        censored = Censored.of(level, options.ends, rounded=rounding > 0)
        free = beside & censored.shown
        free |= not free.any()
        seen = MAD_TO_SD * float(np.median(np.abs(depth[free])))
        least = max(math.sqrt(rounding), LEAST_NOISE * float(np.quantile(depth, 0.9)))
        noise = max(seen, least, 1e-9)
        return cls(
            curve=curve,
            reach=reach,
            s=s,
            x=x,
            u=s / curve.length - 0.5,
            level=level,
            censored=censored,
            axis_spline=axis_spline,
            axis_basis=axis_basis,
            axis_cell=axis_cell,
            plane=plane,
            first_ground=first_ground,
            depth=depth,
            noise=noise,
            least=least,
            rounding=rounding,
            correlation=max(
                typical_correlation(np.column_stack([rows, columns])[free], depth[free] / noise),
                rounding_correlation(noise, rounding),
            ),
            base=float(np.median(background)),
            pattern=_pattern(axis_spline, axis_cell, plane),
        )

    @property
    def axis_part(self) -> slice:
        """Where the axis' offsets stand among the parameters of a fit."""
        return slice(FIXED, FIXED + self.axis_spline.count)

    @property
    def ground_part(self) -> slice:
        """Where the background stands among them."""
        return slice(self.axis_part.stop, self.pattern.size)

    def shift(self, offsets: Array) -> Array:
        """Offset of the axis from the curve at the pixels, shape (P,), px, for coefficients (A,)."""
        return np.asarray(np.einsum("pk,pk->p", offsets.take(following(self.axis_cell)), self.axis_basis))

    def axis(self, offsets: Array) -> Array:
        """Axis at the samples of the curve for offsets (A,), shape (N, 2), (row, column)."""
        across = self.axis_spline.matrix(self.curve.position) @ offsets
        return np.asarray(self.curve.points + across[:, None] * self.curve.normal)


def _pattern(axis_spline: Spline, axis_cell: Index, plane: Plane) -> Pattern:
    """Pattern of the whole fit: shared parameters, axis, background."""
    count, ground = len(axis_cell), FIXED + axis_spline.count
    every = np.arange(count)
    blocks = [
        Block(every, np.zeros(count, dtype=np.int64), FIXED),
        Block(every, FIXED + axis_cell, 4),
        spline_block(every, ground + plane.column),
    ]
    return Pattern.of(blocks, [count], ground + plane.count, single=True)
