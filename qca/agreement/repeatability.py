"""Spread of one reader's repeats of the same frame.

References
----------
.. [1] Bland JM, Altman DG. Lancet 1986;1:307-310 (repeatability).
.. [2] Bland JM, Altman DG. Measurement error. BMJ 1996;313:744 (within-subject SD by analysis of variance).
.. [3] ISO 5725-6:1994, repeatability limit 2.8 s_r: the rounded 1.96 sqrt(2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.agreement.estimate import Estimate, sd_factors, table
from qca.agreement.limits import LIMIT_FACTOR


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Within-subject spread of repeated reads.

    Parameters
    ----------
    n : int
        Targets with at least two reads.
    reads : int
        Reads of those targets.
    within_sd : Estimate
        Within-subject SD: root of the within mean square of a one-way analysis of variance. A shift between passes
        counts as spread here, as it does for the person who reads the next frame.
    coefficient : Estimate
        Repeatability coefficient ``factor * sqrt(2) * within_sd``: two reads of one frame differ by less in 95 %.
    variation_percent : Estimate
        Coefficient of variation, ``100 * within_sd / mean``; the interval carries the SD's uncertainty only.
    note : str
        What is missing.
    """

    n: int
    reads: int
    within_sd: Estimate
    coefficient: Estimate
    variation_percent: Estimate
    note: str


def repeatability(values: npt.ArrayLike, *, factor: float = LIMIT_FACTOR) -> Repeatability:
    """Within-subject SD, repeatability coefficient and coefficient of variation.

    Parameters
    ----------
    values : array_like, shape (N, K)
        N targets, K reads each; NaN is a missing read. Targets with one read or none are left out; targets may have
        different numbers of reads.
    factor : float
        1.96 [2], or 2 as in the paper of 1986 [1].

    Returns
    -------
    Repeatability
        NaN with a note when no target was read twice; the coefficient of variation is NaN for a mean that is not
        positive.

    Raises
    ------
    ValueError
        If the table has another shape.

    Notes
    -----
    For pairs ``within_sd = sqrt(sum d^2 / (2 n))``: the differences are not centred, which assumes no true change
    between the reads.
    """
    matrix = table(values)
    counts = np.isfinite(matrix).sum(axis=1)
    matrix, counts = matrix[counts >= 2], counts[counts >= 2]
    if not len(matrix):
        none = Estimate(note="no target was read twice")
        return Repeatability(0, 0, none, none, none, none.note)
    means = np.nanmean(matrix, axis=1, keepdims=True)
    squares = float(np.nansum((matrix - means) ** 2))
    freedom = int((counts - 1).sum())
    sd = math.sqrt(squares / freedom)
    low, high = (sd * each for each in sd_factors(freedom))
    within = Estimate(sd, low, high)
    mean = float(np.nanmean(matrix))
    if mean > 0:
        variation = Estimate(100 * sd / mean, 100 * low / mean, 100 * high / mean)
    else:
        variation = Estimate(note=f"the mean is {mean:.3g}: a coefficient of variation needs a positive one")
    wide = factor * math.sqrt(2)
    return Repeatability(
        n=len(matrix),
        reads=int(counts.sum()),
        within_sd=within,
        coefficient=Estimate(wide * within.value, wide * within.low, wide * within.high),
        variation_percent=variation,
        note="all repeats are equal" if sd == 0 else "",
    )
