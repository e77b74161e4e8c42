"""A small seeded set of phantoms against limits in one table; ``qca validate --full`` is the long form.

The limits are targets of the product; none is fitted to what it reaches now. A 95 % interval that is true holds the
truth in 89 to 99 % of 90 limbs (binomial, 95 of 100 draws): limits of coverage are that wide here.
"""

import math
from typing import NamedTuple

import numpy as np
import pytest

from qca.phantom import DIFFICULTIES
from qca.validation.job import DrawnJob, drawn_jobs
from qca.validation.run import run
from qca.validation.strata import by_quantity
from qca.validation.summary import summarise

pytestmark = pytest.mark.accuracy

SEED, COUNT = 1000, 30


class Limit(NamedTuple):
    """Largest absolute bias, largest SD, lowest and highest coverage in percent (None: not held)."""

    bias: float
    sd: float
    coverage: tuple[float, float] | None = None


LIMITS = {
    "mld_mm": Limit(0.05, 0.15),
    "mld_scale_apart_mm": Limit(0.05, 0.15),
    "reference_mm": Limit(0.06, 0.12),
    "reference_scale_apart_mm": Limit(0.06, 0.12),
    "ds_percent": Limit(2.0, 5.0),
    "lesion_length_mm": Limit(0.4, 1.0),
    "angle_a_deg": Limit(1.5, 5.0),
    "angle_b_deg": Limit(1.5, 5.0),
    "angle_c_deg": Limit(1.5, 5.0),
    "scale_percent": Limit(1.0, 2.5),
}

MEDINA_RIGHT = 0.90
HEALTHY_PERCENT, HEALTHY_SHARE = 15.0, 0.95
TIMES_BETTER = 2.0
"""The off-the-shelf pipeline's MLD error (root mean square) over ours, same frames and picks."""

WRONG_MM, WARNED_SHARE = 0.3, 0.95
"""An MLD error this large on a hard frame carries a warning, in this share of cases."""

HARD_SD_MM = 0.15


@pytest.fixture(scope="module")
def plain():
    return run(drawn_jobs(COUNT, SEED), workers=2, bounds=False)


@pytest.fixture(scope="module")
def hard():
    jobs = [DrawnJob(SEED + i, difficulty) for i, difficulty in enumerate(DIFFICULTIES)]
    return run(jobs, workers=2, comparator=False, bounds=False)


def ours(results):
    return by_quantity(results.values, "joint fit")


def test_every_frame_gives_a_reading(plain, hard):
    assert [r for r in (*plain.refusals, *hard.refusals) if r.method == "joint fit"] == []
    assert len(ours(plain)["mld_mm"]) == 3 * COUNT
    assert all(math.isfinite(value.measured) for value in ours(plain)["mld_mm"])


@pytest.mark.parametrize("quantity", LIMITS)
def test_bias_spread_and_coverage(plain, quantity):
    found, limit = summarise(ours(plain)[quantity]), LIMITS[quantity]
    assert found.missing == 0
    assert abs(found.bias) < limit.bias
    assert found.sd < limit.sd
    if limit.coverage is not None:
        assert limit.coverage[0] <= found.coverage <= limit.coverage[1]


def test_medina_codes(plain):
    codes = {}
    for value in ours(plain)["medina_digit"]:
        codes[value.case] = codes.get(value.case, True) and value.measured == value.truth
    assert np.mean(list(codes.values())) >= MEDINA_RIGHT


def test_healthy_limbs_read_healthy(plain):
    healthy = [value for value in ours(plain)["ds_percent"] if value.truth < 1]
    assert len(healthy) > 20
    assert np.mean([value.measured < HEALTHY_PERCENT for value in healthy]) >= HEALTHY_SHARE


def test_better_than_library_calls(plain):
    def error(method):
        return np.sqrt(np.mean([value.error**2 for value in by_quantity(plain.values, method)["mld_mm"]]))

    assert error("off the shelf") > TIMES_BETTER * error("joint fit")


def test_hard_frames_do_not_fail_silently(hard):
    mld = ours(hard)["mld_scale_apart_mm"]
    wrong = [value for value in mld if not abs(value.error) <= WRONG_MM]
    assert sum(value.untrusted for value in wrong) >= WARNED_SHARE * len(wrong)
    trusted = [value.error for value in mld if not value.untrusted]
    assert np.std(trusted, ddof=1) < HARD_SD_MM
