"""The median of a list of numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def median(values: npt.NDArray[np.floating]) -> float:
    """Median of values (N,) that are all known, N at least 1.

    The library's own for many dimensions and unknown values spends more time on those than on a few hundred numbers.
    """
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    ranked = np.partition(values, (half - 1, half))
    return 0.5 * float(ranked[half - 1] + ranked[half])
