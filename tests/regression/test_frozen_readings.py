"""The shipped samples read as they did when they were frozen; what may move them is said in ``freeze_readings.py``."""

import json
import math

import pytest

from tests.regression.freeze_readings import FROZEN, reading_numbers

FROZEN_READINGS = json.loads(FROZEN.read_text(encoding="utf-8"))["samples"]

TOLERANCE = 5e-3
"""Other processors order sums differently: a fiftieth of the stated SDs, mm, percent and degrees alike."""


def same(found, frozen):
    """Numbers within the tolerance, everything else equal."""
    if isinstance(frozen, dict):
        return set(found) == set(frozen) and all(same(found[key], frozen[key]) for key in frozen)
    if isinstance(frozen, float) and isinstance(found, float):
        return math.isclose(found, frozen, rel_tol=1e-3, abs_tol=TOLERANCE)
    return found == frozen


@pytest.mark.parametrize("name", sorted(FROZEN_READINGS))
def test_sample_reads_as_frozen(name):
    assert same(reading_numbers(name), FROZEN_READINGS[name])


def test_the_comparison_notices_a_change():
    frozen = FROZEN_READINGS["segment"]
    moved = json.loads(json.dumps(frozen))
    moved["limbs"]["segment"]["mld_mm"] += 0.02
    assert not same(moved, frozen)
