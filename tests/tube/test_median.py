"""The median against numpy's."""

import numpy as np
import pytest

from qca.tube.median import median


@pytest.mark.parametrize("count", [1, 2, 3, 4, 10, 101, 500])
def test_it_is_that_of_numpy(count):
    values = np.random.default_rng(count).standard_normal(count)
    before = values.copy()
    assert median(values) == np.median(values)
    assert np.array_equal(values, before)
