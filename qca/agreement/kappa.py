"""Agreement on categories beyond chance: Cohen's kappa for two readers, Fleiss' for more.

References
----------
.. [1] Cohen J. A coefficient of agreement for nominal scales. Educ Psychol Meas 1960;20:37-46.
.. [2] Fleiss JL, Cohen J, Everitt BS. Large sample standard errors of kappa and weighted kappa. Psychol Bull
   1969;72:323-327.
.. [3] Fleiss JL. Measuring nominal scale agreement among many raters. Psychol Bull 1971;76:378-382.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.agreement.estimate import Estimate, normal_quantile


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement on categories.

    Parameters
    ----------
    n : int
        Targets that every reader put into a category.
    dropped : int
        Targets left out because a category is missing or could not be told.
    readers : int
        Number of readers.
    coefficient : Estimate
        Kappa. NaN with a note when everything fell into one category: kappa is then 0/0 although the readers agree.
    observed : float
        Share of (pairs of) readings that agree.
    expected : float
        Share expected by chance.
    shares : mapping
        Share of each category over all readings; kappa drops when one category is rare, at the same agreement.
    """

    n: int
    dropped: int
    readers: int
    coefficient: Estimate
    observed: float
    expected: float
    shares: Mapping[str, float]


def kappa(columns: Sequence[Sequence[str | None]]) -> Kappa:
    """Kappa of two readers (Cohen) or of more (Fleiss).

    Parameters
    ----------
    columns : sequence of sequences
        One column of categories per reader, same length and order of targets; None is missing.

    Returns
    -------
    Kappa
        With an interval for two readers (standard error of [2]) and for more (of [3], which holds for kappa = 0 and is
        therefore only the test's: no interval is given, and the note says so).

    Raises
    ------
    ValueError
        With fewer than two columns or columns of different length.
    """
    if len(columns) < 2 or len({len(column) for column in columns}) != 1:
        msg = f"columns must be at least two of equal length, not {[len(column) for column in columns]}"
        raise ValueError(msg)
    rows = [row for row in zip(*columns, strict=True) if all(cell is not None for cell in row)]
    dropped = len(columns[0]) - len(rows)
    if not rows:
        none = Estimate(note="no target has a category from every reader")
        return Kappa(0, dropped, len(columns), none, math.nan, math.nan, {})
    names = sorted({str(cell) for row in rows for cell in row})
    place = {name: index for index, name in enumerate(names)}
    codes = np.array([[place[str(cell)] for cell in row] for row in rows])
    if len(columns) == 2:
        counts = np.zeros((len(names), len(names)))
        np.add.at(counts, (codes[:, 0], codes[:, 1]), 1)
        coefficient, observed, expected = cohen(counts)
    else:
        counts = np.stack([(codes == index).sum(axis=1) for index in range(len(names))], axis=1)
        coefficient, observed, expected = fleiss(counts)
    shares = {name: float((codes == index).mean()) for name, index in place.items()}
    return Kappa(len(rows), dropped, len(columns), coefficient, observed, expected, shares)


def cohen(counts: npt.ArrayLike) -> tuple[Estimate, float, float]:
    """Cohen's kappa of a square table of counts, with observed and expected agreement.

    Parameters
    ----------
    counts : array_like, shape (C, C)
        Rows: categories of the first reader; columns: of the second.
    """
    p = np.asarray(counts, dtype=np.float64)
    n = float(p.sum())
    p = p / n
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(row @ column)
    if expected >= 1 - 1e-12:
        note = "both readers used one and the same category throughout: kappa is 0/0, the agreement is complete"
        return Estimate(note=note), observed, expected
    value = (observed - expected) / (1 - expected)
    # [2], equation 13
    diagonal = float((np.diag(p) * (1 - (row + column) * (1 - value)) ** 2).sum())
    weight = (row[None, :] + column[:, None]) ** 2
    off = (1 - value) ** 2 * float((p * weight).sum() - (np.diag(p) * np.diag(weight)).sum())
    last = (value - expected * (1 - value)) ** 2
    se = math.sqrt(max(diagonal + off - last, 0.0) / n) / (1 - expected)
    if se == 0:
        return Estimate(value, note="complete agreement: the large-sample interval has no width"), observed, expected
    half = normal_quantile() * se
    return Estimate(value, max(value - half, -1.0), min(value + half, 1.0)), observed, expected


def fleiss(counts: npt.ArrayLike) -> tuple[Estimate, float, float]:
    """Fleiss' kappa of targets by categories, with observed and expected agreement.

    Parameters
    ----------
    counts : array_like, shape (N, C)
        How many readers put target i into category j; the same number of readers for each target.
    """
    x = np.asarray(counts, dtype=np.float64)
    readers = float(x.sum(axis=1)[0])
    share = x.sum(axis=0) / x.sum()
    observed = float((((x**2).sum(axis=1) - readers) / (readers * (readers - 1))).mean())
    expected = float((share**2).sum())
    if expected >= 1 - 1e-12:
        note = "all readers used one and the same category throughout: kappa is 0/0, the agreement is complete"
        return Estimate(note=note), observed, expected
    value = (observed - expected) / (1 - expected)
    return Estimate(value, note="no interval for more than two readers"), observed, expected
