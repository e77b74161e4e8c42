"""What rounding errors have in common, against rounding drawn numbers."""

import math

import numpy as np
import pytest

from qca.tube.rounding import ROUNDING, rounding_shared, rounding_variance


@pytest.mark.parametrize("sd", [0.0, 0.1, 0.2, 0.3, 0.5])
def test_what_rounding_errors_share(sd):
    """Drawn: levels anywhere between two whole ones, noise added, rounded; the mean error of each against formula's."""
    level = np.linspace(0.0, 1.0, 200, endpoint=False)[:, None]
    noise = sd * np.random.default_rng(3).normal(size=(200, 20000))
    mean = (np.round(level + noise) - level).mean(1)
    shared = rounding_shared(math.sqrt(sd**2 + ROUNDING), ROUNDING)
    # the first harmonic alone is 6 / pi^2 of it, with all of them it is whole
    assert 0.95 * 6 / math.pi**2 * shared - 1e-3 < (mean**2).mean() / ROUNDING < 1.01 * shared + 1e-3


def test_only_whole_levels_are_rounded():
    assert rounding_variance(np.array([-3.0, 7.0, 4095.0])) == pytest.approx(1 / 12)
    assert rounding_variance(np.array([-3.0, 7.25])) == 0.0
    assert rounding_shared(0.01, 0.0) == 0.0
