"""Sparse normal equations against the dense product."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from qca.tube.normal import Block, Elimination, Factor, Pattern


def random_entries(rng, rows, size, per_row):
    """Entries as a fit has them: each row touches a few columns, neighbours touch nearly the same."""
    at, column = [], []
    for i in range(rows):
        around = i * size // rows
        chosen = np.unique(np.clip(around + rng.integers(-3, 4, per_row), 0, size - 1))
        at += [i] * len(chosen)
        column += list(chosen)
    shuffle = rng.permutation(len(at))
    return np.array(at)[shuffle], np.array(column)[shuffle]


@examples(max_examples=25)
@given(st.integers(1, 900), st.integers(1, 60), st.integers(1, 8), st.integers(0, 2**32 - 1))
def test_against_the_dense_product(rows, size, per_row, seed):
    rng = np.random.default_rng(seed)
    at, column = random_entries(rng, rows, size, per_row)
    pattern = Pattern.of([Block(at, column, 1)], [rows // 3, rows], size)
    for _ in range(2):  # one pattern, many values
        values, residual = rng.normal(size=len(at)), rng.normal(size=rows)
        jacobian = np.zeros((rows, size))
        jacobian[at, column] = values
        matrix, vector = pattern.normal(values, residual)
        np.testing.assert_allclose(matrix, jacobian.T @ jacobian, atol=1e-9)
        np.testing.assert_allclose(vector, jacobian.T @ residual, atol=1e-9)


@examples(max_examples=10)
@given(st.integers(1, 900), st.integers(1, 60), st.integers(1, 8), st.integers(0, 2**32 - 1))
def test_single_precision_is_good_to_a_millionth(rows, size, per_row, seed):
    rng = np.random.default_rng(seed)
    at, column = random_entries(rng, rows, size, per_row)
    blocks = [Block(at, column, 1)]
    values, residual = rng.normal(size=len(at)), rng.normal(size=rows)
    single, double = (Pattern.of(blocks, [rows], size, single=kind).normal(values, residual) for kind in (True, False))
    scale = np.sqrt(np.diag(double[0]))
    assert (np.abs(single[0] - double[0]) <= 1e-6 * np.outer(scale, scale)).all()
    assert (np.abs(single[1] - double[1]) <= 1e-6 * scale * np.linalg.norm(residual)).all()


def test_columns_that_nothing_touches_stay_zero():
    pattern = Pattern.of([Block(np.array([0, 1, 2]), np.array([1, 1, 3]), 1)], [3], 5)
    matrix, vector = pattern.normal(np.array([1.0, 2.0, 3.0]), np.ones(3))
    assert np.diag(matrix) == pytest.approx([0, 5, 0, 9, 0])
    assert vector == pytest.approx([0, 3, 0, 3, 0])


def test_wide_blocks_are_single_entries_side_by_side():
    rng = np.random.default_rng(5)
    rows, first = np.repeat(np.arange(700), 2), rng.integers(0, 30, 1400)
    wide = Pattern.of([Block(rows, first, 4)], [700], 40)
    single = Pattern.of([Block(np.repeat(rows, 4), (first[:, None] + np.arange(4)).ravel(), 1)], [700], 40)
    np.testing.assert_array_equal(wide.slots, single.slots)


@examples(max_examples=20)
@given(st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_a_factor_solves_and_inverts_what_is_left(size, seed):
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size + 3, size))
    matrix = root.T @ root + 0.1 * np.eye(size)
    vector, start = rng.normal(size=size), int(rng.integers(0, size))
    np.testing.assert_allclose(matrix @ Factor(matrix).solve(vector), vector, atol=1e-7)
    np.testing.assert_allclose(Factor(matrix).inverse(start), np.linalg.inv(matrix)[start:, start:], atol=1e-7)
    damping = rng.uniform(0, 1, size)
    np.testing.assert_allclose((matrix + np.diag(damping)) @ Factor(matrix, damping).solve(vector), vector, atol=1e-7)


@examples(max_examples=20)
@given(st.integers(2, 40), st.integers(0, 2**32 - 1))
def test_an_elimination_is_the_schur_complement_and_gives_the_factor_of_all(size, seed):
    """Against numpy's inverses; the equations for the others may be others than its own."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size + 3, size))
    matrix = root.T @ root + 0.1 * np.eye(size)
    vector, start = rng.normal(size=size), int(rng.integers(1, size))
    first, below = matrix[:start, :start], matrix[start:, :start]
    found = Elimination(matrix, start)
    np.testing.assert_allclose(found.rest, matrix[start:, start:] - below @ np.linalg.inv(first) @ below.T, atol=1e-7)
    np.testing.assert_allclose(
        found.reduced(vector), vector[start:] - below @ np.linalg.inv(first) @ vector[:start], atol=1e-7
    )
    more = np.diag(rng.uniform(0, 1, size - start))
    factor = found.factor(Factor(found.rest + more))
    matrix[start:, start:] += more
    np.testing.assert_allclose(matrix @ factor.solve(vector), vector, atol=1e-7)
    half = factor.half(vector)
    assert half @ half == pytest.approx(vector @ np.linalg.inv(matrix) @ vector, rel=1e-6)


def test_a_factor_of_what_is_not_positive_definite_is_refused():
    with pytest.raises(np.linalg.LinAlgError):
        Factor(np.diag([1.0, -1.0]))
