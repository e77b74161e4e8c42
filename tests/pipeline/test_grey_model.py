"""What the vessels' fit teaches the catheter about blur and contrast."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from qca.grey_model import GUESS, vessels_alone
from qca.tube.priors import PriorNumbers

PRIORS = PriorNumbers(log_sigma=0.05, log_sigma_sd=0.1, log_k=math.log(60.0), log_k_sd=0.3)


def fit(contrast):
    """A fit with a contrast, its blur known to 0.05 with what had been told."""
    layout = SimpleNamespace(bend=0, log_k=1)
    theta = np.array([0.02, math.log(contrast)])
    return SimpleNamespace(layout=layout, theta=theta, log_sigma=0.1, log_sigma_sd=0.05, base=900.0, curve=0.0)


def test_what_had_been_told_is_taken_out():
    grey = vessels_alone(fit(70.0), PRIORS)
    own = 1 / 0.05**2 - 1 / PRIORS.log_sigma_sd**2
    assert grey.log_sigma_sd == pytest.approx(own**-0.5)
    told_and_own = (grey.log_sigma * own + PRIORS.log_sigma / PRIORS.log_sigma_sd**2) * 0.05**2
    assert told_and_own == pytest.approx(0.1)
    assert grey.contrast == pytest.approx(70.0)


@pytest.mark.parametrize("times", [1 / 36, 1 / 3, 3.0, 36.0])
def test_a_contrast_beyond_anything_expected_teaches_nothing(times):
    """A thin lumen's fit that ran away: 36 times the contrast, and a blur that goes with it."""
    assert vessels_alone(fit(60.0 * times), PRIORS) == GUESS


def test_where_no_contrast_was_expected_every_one_teaches():
    priors = PriorNumbers(log_k=0.0, log_k_sd=math.inf)
    assert vessels_alone(fit(5000.0), priors).contrast == pytest.approx(5000.0)
