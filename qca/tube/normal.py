"""Normal equations of a fit whose pixels touch few parameters each.

Pixels are cut into runs of neighbours that touch the same few columns; each run is a small dense matrix, so the
products are dense and the fill-in is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

_RUN = 260
"""Pixels per run: long enough for dense products to pay, short enough to touch few columns."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Where the entries of a Jacobian go; made once for many values.

    P rows (pixels, in an order where neighbours are near), Q columns (parameters), K entries.

    Parameters
    ----------
    size : int
        Q.
    slots : ndarray of int, shape (K,)
        Place of each entry in the packed runs.
    packed_size : int
        Length of these.
    runs : tuple
        For each run its rows, its part of the packed entries, its columns, and the places of their products in the
        flattened normal matrix.
    """

    size: int
    slots: Index
    packed_size: int
    runs: tuple[tuple[slice, slice, Index, Index], ...]

    @classmethod
    def of(cls, rows: Index, columns: Index, count: int, size: int) -> Pattern:
        """Pattern of entries at (``rows``, ``columns``), each (K,), for ``count`` rows and ``size`` columns."""
        run_of = np.minimum(np.arange(count) // _RUN, max(count // _RUN - 1, 0))
        total = int(run_of[-1]) + 1
        touched = np.zeros((total, size), dtype=bool)
        touched[run_of[rows], columns] = True
        local = np.cumsum(touched, axis=1) - 1
        width = touched.sum(1)
        first = np.searchsorted(run_of, np.arange(total + 1))
        starts = np.concatenate([[0], np.cumsum(np.diff(first) * width)])
        run = run_of[rows]
        slots = starts[run] + (rows - first[run]) * width[run] + local[run, columns]
        runs = []
        for k in range(total):
            own = np.flatnonzero(touched[k])
            runs.append(
                (
                    slice(int(first[k]), int(first[k + 1])),
                    slice(int(starts[k]), int(starts[k + 1])),
                    own,
                    (own[:, None] * size + own).ravel(),
                )
            )
        return cls(size, slots, int(starts[-1]), tuple(runs))

    def normal(self, values: Array, weight: Array, residual: Array) -> tuple[Array, Array]:
        """``J^T W J`` (Q, Q) and ``J^T W res`` (Q,) for entries ``values`` (K,), ``weight`` and ``residual`` (P,)."""
        packed = np.zeros(self.packed_size)
        packed[self.slots] = values
        flat = np.zeros(self.size * self.size)
        vector = np.zeros(self.size)
        root = np.sqrt(weight)
        scaled = root * residual
        for rows, part, columns, places in self.runs:
            j = packed[part].reshape(rows.stop - rows.start, len(columns))
            j *= root[rows, None]
            flat[places] += (j.T @ j).ravel()
            vector[columns] += scaled[rows] @ j
        return flat.reshape(self.size, self.size), vector


def solve_symmetric(matrix: Array, vector: Array) -> Array:
    """Solve ``matrix x = vector`` for a symmetric positive definite matrix (Q, Q) and a vector (Q,).

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    from scipy.linalg.lapack import dposv

    _, solution, failed = dposv(matrix, vector, lower=1)
    if failed:
        msg = "the normal matrix is not positive definite"
        raise np.linalg.LinAlgError(msg)
    return np.asarray(solution, dtype=np.float64)


def symmetric_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix."""
    from scipy.linalg.lapack import dpotrf, dpotri

    factor, failed = dpotrf(matrix, lower=1)
    if failed:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    inverse, _ = dpotri(factor, lower=1, overwrite_c=1)
    lower = np.tril(inverse)
    return np.asarray(lower + np.tril(inverse, -1).T)
