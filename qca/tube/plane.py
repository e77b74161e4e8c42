"""The background: a bicubic spline over the pixels in play, with a roughness penalty."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from qca.tube.spline import Spline, following, sparse_rows

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]


class Plane:
    """Bicubic B-spline over scattered pixels; only coefficients that touch a pixel exist.

    Parameters
    ----------
    pixels : ndarray, shape (P, 2)
        (row, column).
    knot_px : float
        Distance between knots, px.

    Attributes
    ----------
    count : int
        Coefficients.
    column, value : ndarray, shape (P, 16)
        Basis of each pixel: coefficients and their weights.
    penalty : ndarray, shape (count, count)
        Quadratic form of squared second differences along rows, columns and both.
    rank : int
        Its rank.
    """

    def __init__(self, pixels: Array, knot_px: float) -> None:
        # each coordinate by itself: the library goes through rows of two numbers one by one
        r, c = pixels[:, 0] - pixels[:, 0].min(), pixels[:, 1] - pixels[:, 1].min()
        rows = Spline.over(max(float(r.max()), 1.0), knot_px)
        cols = Spline.over(max(float(c.max()), 1.0), knot_px)
        cell_r, basis_r = rows.basis(r)
        cell_c, basis_c = cols.basis(c)
        begun = np.zeros((rows.count, cols.count), dtype=bool)
        begun[cell_r, cell_c] = True
        touched = np.zeros_like(begun)
        for i in range(4):
            for k in range(4):
                touched[i:, k:] |= begun[: rows.count - i, : cols.count - k]
        used = np.flatnonzero(touched)
        lookup = np.full(touched.size, -1, dtype=np.int64)
        lookup[used] = np.arange(len(used))
        self.count = len(used)
        # four neighbours in a row are all touched, hence neighbours among the used ones too
        first = lookup.take(following(cell_r) * cols.count + cell_c[:, None])
        self.column: Index = following(first.ravel()).reshape(len(pixels), 16)
        self.value: Array = np.repeat(basis_r, 4, axis=1) * np.tile(basis_c, (1, 4))
        self._rows = sparse_rows(self.column, self.value, self.count)
        self.penalty, self.rank = _roughness(lookup.reshape(rows.count, cols.count), self.count)

    def evaluate(self, coefficients: Array) -> Array:
        """Background at the pixels, shape (P,), for ``coefficients`` (count,)."""
        return np.asarray(self._rows @ coefficients)


def _roughness(grid: Index, count: int) -> tuple[Array, int]:
    """Penalty of squared second differences among existing coefficients, (count, count), and its rank.

    Three planes are free.
    """
    stencils = [
        (np.stack([grid[:-2], grid[1:-1], grid[2:]], -1).reshape(-1, 3), np.array([1.0, -2.0, 1.0])),
        (np.stack([grid[:, :-2], grid[:, 1:-1], grid[:, 2:]], -1).reshape(-1, 3), np.array([1.0, -2.0, 1.0])),
        (
            np.stack([grid[:-1, :-1], grid[1:, :-1], grid[:-1, 1:], grid[1:, 1:]], -1).reshape(-1, 4),
            np.sqrt(2) * np.array([1.0, -1.0, -1.0, 1.0]),
        ),
    ]
    places, products = [], []
    for index, weight in stencils:
        chosen = index[(index >= 0).all(1)]
        places.append((chosen[:, :, None] * count + chosen[:, None, :]).ravel())
        products.append(np.tile(np.outer(weight, weight).ravel(), len(chosen)))
    flat = np.bincount(np.concatenate(places), weights=np.concatenate(products), minlength=count * count)
    return np.asarray(flat, dtype=np.float64).reshape(count, count), max(count - 3, 1)
