"""Uniform cubic B-splines along a limb and over the image plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


AT_START = (1 / 6, 2 / 3, 1 / 6)
"""Weights of the first three coefficients where a spline begins; the others count nothing there."""


def following(first: Index, count: int = 4) -> Index:
    """Give the indices ``first`` (N,) and those after them, shape (N, count)."""
    out = np.empty((len(first), count), dtype=np.int64)
    # by columns: a sum of rows and a few offsets goes through the rows one by one
    for k in range(count):
        np.add(first, k, out=out[:, k])
    return out


def sparse_rows(at: Index, weights: Array, size: int) -> csr_array:
    """Give the matrix (N, size) of ``weights`` (N, K) at columns ``at`` (N, K).

    Its product with coefficients takes half as long as a sum over chosen ones.
    """
    from scipy.sparse import csr_array

    begins = np.arange(0, weights.size + 1, weights.shape[1])
    return csr_array((weights.ravel(), at.ravel(), begins), shape=(len(weights), size))


def _cubic(u: Array) -> Array:
    """Values of the four cubic B-splines alive on a cell at fraction ``u`` (N,), shape (N, 4)."""
    v = 1 - u
    u2, v2 = u * u, v * v
    out = np.empty((len(u), 4))
    out[:, 0] = v2 * v / 6
    out[:, 1] = (3 * u - 6) * u2 / 6 + 2 / 3
    out[:, 2] = (3 * v - 6) * v2 / 6 + 2 / 3
    out[:, 3] = u2 * u / 6
    return out


def blurred_weights(weights: Array, blur: Array) -> Array:
    """Weights of a cubic B-spline that is seen through a Gaussian blur.

    The four coefficients alive on a cell cannot hold the wider curves of a blurred spline. The weights given here have
    their sum, mean and variance, and answer to coefficients that alternate in sign, the shortest wave there is, as the
    blur does: ``exp(-(pi blur)^2 / 2)``. (With second derivatives instead, ``1 - (pi blur)^2 / 2``, short waves vanish
    or change their sign where knots are less than 2.2 blur SDs apart, and are free to grow.)

    Parameters
    ----------
    weights : ndarray, shape (N, 4)
        Of the spline.
    blur : ndarray, shape (N,)
        SD of the blur, in knot distances.

    Returns
    -------
    ndarray, shape (N, 4)
    """
    square = blur * blur
    even = 0.25 * square
    alternating = weights[:, 0] - weights[:, 1] + weights[:, 2] - weights[:, 3]
    odd = (1 - np.exp(-0.5 * np.pi**2 * square)) / 8 * alternating
    out = np.empty_like(weights)
    np.add(weights[:, 0], even - odd, out=out[:, 0])
    np.add(weights[:, 1], 3 * odd - even, out=out[:, 1])
    np.subtract(weights[:, 2], 3 * odd + even, out=out[:, 2])
    np.add(weights[:, 3], even + odd, out=out[:, 3])
    return out


@dataclass(frozen=True, slots=True)
class Spline:
    """Cubic B-spline on [0, length] with knots every ``spacing`` px; ``count`` coefficients."""

    length: float
    spacing: float
    count: int

    @classmethod
    def over(cls, length: float, spacing: float) -> Spline:
        """Spline over [0, length] with a knot spacing near ``spacing``."""
        cells = max(round(length / spacing), 2)
        return cls(length, length / cells, cells + 3)

    def basis(self, s: Array) -> tuple[Index, Array]:
        """First coefficient (N,) and four weights (N, 4) per position ``s`` (N,), px.

        Positions outside are extrapolated from the end cell.
        """
        cell, part = self._cells(s)
        return cell, _cubic(part)

    def values(self, s: Array, coefficients: Array) -> Array:
        """Values (N,) at positions ``s`` (N,), px, for ``coefficients`` (count,)."""
        cell, part = self._cells(s)
        # each cell's polynomial, from its highest power down
        before, here, after, last = (coefficients[k : self.count - 3 + k] for k in range(4))
        out = ((last - before) / 6 + (here - after) / 2).take(cell)
        for power in ((before + after) / 2 - here, (after - before) / 2, (before + 4 * here + after) / 6):
            out *= part
            out += power.take(cell)
        return out

    def _cells(self, s: Array) -> tuple[Index, Array]:
        """Cell (N,) that positions ``s`` (N,), px, lie in, and at which part of it (N,)."""
        t = s / self.spacing
        cell = np.minimum(np.maximum(t, 0), self.count - 4).astype(np.int64)
        return cell, t - cell

    def matrix(self, s: Array) -> Array:
        """Dense basis, shape (len(s), count)."""
        cell, w = self.basis(s)
        out = np.zeros((len(s), self.count))
        np.put_along_axis(out, following(cell), w, axis=1)
        return out

    def fit(self, s: Array, values: Array, smooth: float) -> Array:
        """Coefficients of a least-squares fit.

        Parameters
        ----------
        s, values : ndarray, shape (N,)
            Positions, px, and values there.
        smooth : float
            Weight of squared second differences of the coefficients.

        Returns
        -------
        ndarray, shape (count,)
            In the unit of ``values``.
        """
        a = self.matrix(s)
        d = np.diff(np.eye(self.count), 2, axis=0)
        normal = a.T @ a + smooth * d.T @ d + 1e-9 * np.eye(self.count)
        return np.asarray(np.linalg.solve(normal, a.T @ values), dtype=np.float64)
