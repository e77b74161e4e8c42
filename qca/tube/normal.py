"""Normal equations of a fit whose pixels touch few parameters each.

Pixels are cut into runs of neighbours that touch the same few columns; each run is a small dense matrix, so the
products are dense and the fill-in is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tube.spline import following

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

_RUN = 200
"""Pixels per run, about: long enough for dense products to pay, short enough to touch few columns."""

_SMALL = 80
"""A triangle of at most this size is inverted by the library; larger ones by halves."""


class Block(NamedTuple):
    """Entries at neighbouring columns: for each of N ``rows`` (N,) the columns ``first`` (N,) and what follows."""

    rows: Index
    first: Index
    width: int


def spline_block(rows: Index, columns: Index) -> Block:
    """Entries of a cubic spline: ``columns`` (N, 4 m) of ``rows`` (N,), every four of them neighbours."""
    every_fourth = columns[:, ::4]
    return Block(np.repeat(rows, every_fourth.shape[1]), every_fourth.ravel(), 4)


@dataclass(frozen=True, slots=True)
class Pattern:
    """Where the entries of a Jacobian go; made once for many values.

    P rows (pixels, in an order where neighbours are near), Q columns (parameters), K entries. Behind the columns of a
    run stands one more, for the residuals, so that one product gives all that is asked for.

    Parameters
    ----------
    size : int
        Q.
    slots : ndarray of int, shape (K,)
        Place of each entry in the packed runs.
    last : ndarray of int, shape (P,)
        Place of each residual there.
    packed : ndarray, shape (places,)
        The packed runs; room that is used again each time, zero where no entry goes.
    runs : tuple
        For each run its rows, its part of the packed entries, and its columns.
    places : ndarray of int
        Where in the flattened matrix of size Q + 1 the products of the runs' columns go, run after run.
    """

    size: int
    slots: Index
    last: Index
    packed: npt.NDArray[np.floating]
    runs: tuple[tuple[slice, slice, Index], ...]
    places: Index

    @classmethod
    def of(cls, blocks: Sequence[Block], ends: Sequence[int] | Index, size: int, *, single: bool = False) -> Pattern:
        """Pattern of blocks of entries, in their order and row by row, for ``size`` columns.

        ``ends`` are where stretches of rows end, the last one at P; no run goes from one into the next, so rows are
        neighbours within a stretch only.

        With ``single`` the products of a run are of single precision, 1e-7 of the entries, and take half of the time;
        runs are summed in double precision.
        """
        first = _runs(ends)
        total, count = len(first) - 1, int(first[-1])
        run_of = np.repeat(np.arange(total), np.diff(first))
        touched = np.zeros((total, size + 1), dtype=bool)
        touched[:, size] = True
        begun = []
        row_of = run_of * (size + 1)
        for block in blocks:
            key = row_of.take(block.rows) + block.first
            begins = np.zeros_like(touched)
            begins.reshape(-1)[key] = True
            for k in range(block.width):
                touched[:, k:] |= begins[:, : size + 1 - k]
            begun.append(key)
        local = (np.cumsum(touched, axis=1) - 1).ravel()
        width = touched.sum(1)
        starts = np.concatenate([[0], np.cumsum(np.diff(first) * width)])
        begin_of = starts[run_of] + (np.arange(count) - first[run_of]) * width[run_of]
        # all columns of a block's entry are touched, hence neighbours among the run's columns too
        slots = []
        for block, key in zip(blocks, begun, strict=True):
            begin = begin_of.take(block.rows) + local.take(key)
            slots.append(following(begin, block.width).ravel())
        runs, places = [], []
        for k in range(total):
            own = np.flatnonzero(touched[k])
            runs.append((slice(int(first[k]), int(first[k + 1])), slice(int(starts[k]), int(starts[k + 1])), own[:-1]))
            places.append((own[:, None] * (size + 1) + own).ravel())
        kind = np.float32 if single else np.float64
        packed: npt.NDArray[np.floating] = np.zeros(int(starts[-1]), dtype=kind)
        last = begin_of + width[run_of] - 1
        return cls(size, np.concatenate(slots), last, packed, tuple(runs), np.concatenate(places))

    def normal(self, values: npt.NDArray[np.floating], residual: Array) -> tuple[Array, Array]:
        """``J^T J`` (Q, Q) and ``J^T res`` (Q,) for entries ``values`` (K,) and ``residual`` (P,).

        Where pixels have weights, both come times their roots.
        """
        self.packed[self.slots] = values
        self.packed[self.last] = residual
        products = [j.T @ j for j in self._packed_runs()]
        # all at once: a sum into chosen places run by run reads and writes each place through a copy
        summed = np.concatenate([product.ravel() for product in products])
        flat = np.bincount(self.places, weights=summed, minlength=(self.size + 1) ** 2)
        both: Array = np.asarray(flat, dtype=np.float64).reshape(self.size + 1, self.size + 1)
        return both[:-1, :-1], both[:-1, -1]

    def cross(self, values: npt.NDArray[np.floating], others: npt.NDArray[np.floating]) -> Array:
        """``J^T others`` (Q, T) for entries ``values`` (K,) and ``others`` (P, T); fast where these are zero."""
        self.packed[self.slots] = values
        out = np.zeros((self.size, others.shape[1]))
        for (rows, _, columns), j in zip(self.runs, self._packed_runs(), strict=True):
            these = others[rows]
            if these.any():
                out[columns] += j[:, :-1].T @ these.astype(j.dtype, copy=False)
        return out

    def _packed_runs(self) -> list[npt.NDArray[np.floating]]:
        """Give the runs as they are packed, each (rows, columns and the residuals' one)."""
        return [self.packed[part].reshape(rows.stop - rows.start, -1) for rows, part, _ in self.runs]


def _runs(ends: Sequence[int] | Index) -> Index:
    """Where runs begin, and where the last one ends: stretches that end at ``ends``, each in runs of even length."""
    first = [0]
    for end in ends:
        length = int(end) - first[-1]
        pieces = min(max(round(length / _RUN), 1), length)
        first += [int(end) - length * left // pieces for left in reversed(range(pieces))]
    return np.array(first, dtype=np.int64)


class Factor:
    """Cholesky factor of a symmetric positive definite matrix.

    Parameters
    ----------
    matrix : ndarray, shape (Q, Q)
        The matrix; only what stands on and over its diagonal is read.
    damping : ndarray, shape (Q,), or float
        What comes on top of the diagonal.
    own : bool
        The matrix, in the order of rows, may be written over.

    Attributes
    ----------
    lower : ndarray, shape (Q, Q)
        The factor, zero over its diagonal: ``lower @ lower.T`` is the matrix.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """

    def __init__(self, matrix: Array, damping: Array | float = 0.0, *, own: bool = False) -> None:
        from scipy.linalg.lapack import dpotrf

        # in the library's own order, which turns what stands over the diagonal under it
        work = matrix.T if own else matrix.T.copy(order="F")
        np.einsum("ii->i", work)[:] += damping
        self.lower: Array
        self.lower, failed = dpotrf(work, lower=1, clean=1, overwrite_a=1)
        if failed:
            msg = "the normal matrix is not positive definite"
            raise np.linalg.LinAlgError(msg)

    @classmethod
    def of(cls, lower: Array) -> Factor:
        """Give one that is known, (Q, Q), in the order of columns."""
        out = cls.__new__(cls)
        out.lower = lower
        return out

    def solve(self, vector: Array) -> Array:
        """Solve ``matrix x = vector``, both (Q,), or (Q, N) for N right sides at once."""
        from scipy.linalg.lapack import dpotrs

        solution, _ = dpotrs(self.lower, vector, lower=1)
        return np.asarray(solution, dtype=np.float64)

    def half(self, vectors: Array) -> Array:
        """Solve ``lower x = vectors``, both (Q,) or (Q, N): ``x.T @ x`` is ``vectors.T @ inverse @ vectors``."""
        from scipy.linalg.lapack import dtrtrs

        solution, _ = dtrtrs(self.lower, vectors, lower=1)
        return np.asarray(solution, dtype=np.float64)

    def root(self, start: int = 0) -> Array:
        """Lower triangular root of the part of the inverse from ``start`` on: that part is ``root.T @ root``.

        The others are eliminated first, so it costs little where they come first. Shape (Q - start, Q - start).
        """
        lower = self.lower[start:, start:]
        out = np.zeros(lower.shape)
        _invert_triangle(lower, out)
        return out

    def inverse(self, start: int = 0) -> Array:
        """Give the part of the inverse that belongs to the rows and columns from ``start`` on, (Q - start, Q - start).

        The others are eliminated first, so it costs little where they come first.
        """
        # of a triangle by halves: the library's own way takes twice as long
        root = self.root(start)
        return np.asarray(root.T @ root, dtype=np.float64)


class Elimination:
    """Elimination of the first unknowns of ``matrix x = vector``, of a symmetric positive definite matrix.

    Parameters
    ----------
    matrix : ndarray, shape (Q, Q)
        The matrix, in the order of rows.
    start : int
        The first unknown that is left.

    Attributes
    ----------
    rest : ndarray, shape (Q - start, Q - start)
        Matrix of the equations for the others.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the eliminated part of the matrix is not positive definite.
    """

    def __init__(self, matrix: Array, start: int) -> None:
        from scipy.linalg.blas import dtrsm

        self._first = Factor(matrix[:start, :start])
        self._below: Array = dtrsm(1.0, self._first.lower, matrix.T[start:, :start], side=1, lower=1, trans_a=1)
        self.rest: Array = matrix[start:, start:] - self._below @ self._below.T

    def reduced(self, vector: Array) -> Array:
        """Right side (Q - start,) of the equations for the others, of all of them ``vector`` (Q,)."""
        start = len(vector) - len(self.rest)
        return np.asarray(vector[start:] - self._below @ self._first.half(vector[:start]))

    def factor(self, rest: Factor) -> Factor:
        """Give the factor of the matrix with another one than its own of the equations for the others."""
        start, size = self._below.shape[1], len(self._below) + self._below.shape[1]
        lower = np.zeros((size, size), order="F")
        lower[:start, :start], lower[start:, :start] = self._first.lower, self._below
        lower[start:, start:] = rest.lower
        return Factor.of(lower)


def _invert_triangle(lower: Array, out: Array) -> None:
    """Write the inverse of a lower triangular matrix into ``out``, which is zero over its diagonal.

    By halves: the library's own inverse takes a row at a time and is some times slower than dense products.
    """
    from scipy.linalg.lapack import dtrtri

    half = len(lower) // 2
    if len(lower) <= _SMALL:
        out[:], _ = dtrtri(lower, lower=1)
        return
    _invert_triangle(lower[:half, :half], out[:half, :half])
    _invert_triangle(lower[half:, half:], out[half:, half:])
    np.matmul(out[half:, half:], lower[half:, :half] @ -out[:half, :half], out=out[half:, :half])


def symmetric_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric matrix, fast where it is positive definite."""
    try:
        return Factor(matrix).inverse()
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
