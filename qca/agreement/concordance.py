"""Lin's concordance correlation coefficient.

References
----------
.. [1] Lin LI. A concordance correlation coefficient to evaluate reproducibility. Biometrics 1989;45:255-268.
.. [2] Lin LI. A note on the concordance correlation coefficient. Biometrics 2000;56:324-325 (corrected variance).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.agreement.estimate import Estimate, normal_quantile, pair

FEWEST_PAIRS = 4
"""The variance of the z transform divides by n - 2."""


@dataclass(frozen=True, slots=True)
class Concordance:
    """Concordance of two columns, and its two factors.

    Parameters
    ----------
    n : int
        Complete pairs.
    coefficient : Estimate
        ``precision * accuracy``; 1 for points on the line of identity.
    precision : float
        Pearson's r.
    accuracy : float
        Lin's C_b, 1 when means and SDs agree.
    """

    n: int
    coefficient: Estimate
    precision: float
    accuracy: float


def concordance(first: npt.ArrayLike, second: npt.ArrayLike) -> Concordance:
    """Lin's concordance correlation with 1/n moments, and its interval by the z transform.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Paired values; a pair with NaN is left out.

    Returns
    -------
    Concordance
        NaN with a note for fewer than four pairs or when a column does not vary. No interval for identical columns.

    Raises
    ------
    ValueError
        If the columns do not match.

    Notes
    -----
    ``2 s_xy / (s_x^2 + s_y^2 + (mean_x - mean_y)^2)`` [1]; variance of its z transform with the correction of [2].
    """
    x, y = pair(first, second)
    n = len(x)
    if n < FEWEST_PAIRS:
        return Concordance(
            n, Estimate(note=f"{n} complete pairs, at least {FEWEST_PAIRS} are needed"), math.nan, math.nan
        )
    sx, sy = float(x.std()), float(y.std())
    if sx == 0 or sy == 0:
        return Concordance(n, Estimate(note="a column does not vary: no concordance is defined"), math.nan, math.nan)
    sxy = float(((x - x.mean()) * (y - y.mean())).mean())
    shift = float(x.mean() - y.mean())
    rho, r = 2 * sxy / (sx**2 + sy**2 + shift**2), sxy / (sx * sy)
    accuracy = 2 * sx * sy / (sx**2 + sy**2 + shift**2)
    if abs(rho) >= 1 - 1e-12 or abs(r) < 1e-12:
        note = "the columns are identical: no interval" if abs(rho) > 0.5 else "no correlation at all: no interval"
        return Concordance(n, Estimate(rho, note=note), r, accuracy)
    u2 = shift**2 / (sx * sy)
    square = 1 - rho**2
    variance = (
        (1 - r**2) * rho**2 / (square * r**2)
        + 2 * rho**3 * (1 - rho) * u2 / (r * square**2)
        - rho**4 * u2**2 / (2 * r**2 * square**2)
    ) / (n - 2)
    half = normal_quantile() * math.sqrt(max(variance, 0.0))
    z = float(np.arctanh(rho))
    return Concordance(n, Estimate(rho, math.tanh(z - half), math.tanh(z + half)), r, accuracy)
