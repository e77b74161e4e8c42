"""What is believed of a shaft's blur when the vessels' is known."""

import math

import numpy as np
import pytest
from scipy.integrate import trapezoid

from qca.tube.shaft_blur import Blur, believed, log_belief, without

VESSELS = Blur(math.log(1.5), 0.04)


def taken_to(own, vessels=VESSELS):
    """Where a shaft's own word and the belief together lead."""
    belief = believed(own, vessels)
    precision = 1 / own.sd**2 + 1 / belief.sd**2
    return (own.log_sigma / own.sd**2 + belief.log_sigma / belief.sd**2) / precision, precision**-0.5


def test_a_belief_is_a_density():
    x = np.linspace(-4.0, 4.0, 40001) + VESSELS.log_sigma
    assert trapezoid(np.exp(log_belief(x, VESSELS)), x) == pytest.approx(1.0, abs=1e-3)


def test_a_shaft_as_blurred_as_the_vessels_learns_from_them():
    mean, sd = taken_to(Blur(VESSELS.log_sigma + 0.03, 0.1))
    assert mean == pytest.approx(VESSELS.log_sigma, abs=0.02)
    assert sd < 0.07


def test_a_sharper_shaft_keeps_its_blur():
    own = Blur(VESSELS.log_sigma - 0.5, 0.1)
    mean, sd = taken_to(own)
    assert mean == pytest.approx(own.log_sigma, abs=0.05)
    assert sd > 0.09


def test_where_it_cannot_be_told_both_are_held_possible():
    own = Blur(VESSELS.log_sigma - 0.2, 0.1)
    mean, sd = taken_to(own)
    assert own.log_sigma < mean < VESSELS.log_sigma
    assert mean + 1.96 * sd > VESSELS.log_sigma
    assert mean - 1.96 * sd < own.log_sigma


@pytest.mark.parametrize("away", [0.1, 0.2, 0.3])
def test_more_blurred_than_the_vessels_is_believed_less(away):
    sharper, _ = taken_to(Blur(VESSELS.log_sigma - away, 0.1))
    coarser, _ = taken_to(Blur(VESSELS.log_sigma + away, 0.1))
    assert VESSELS.log_sigma - sharper > 1.2 * (coarser - VESSELS.log_sigma)


def test_a_shaft_that_moves_gets_free():
    own = Blur(VESSELS.log_sigma + 0.7, 0.1)
    assert taken_to(own)[0] == pytest.approx(own.log_sigma, abs=0.05)


def test_a_prior_is_taken_out_of_a_fit():
    pixels, prior = Blur(0.3, 0.1), Blur(0.0, 0.2)
    precision = 1 / pixels.sd**2 + 1 / prior.sd**2
    fitted = Blur(pixels.log_sigma / pixels.sd**2 / precision, precision**-0.5)
    own = without(fitted, prior)
    assert own.log_sigma == pytest.approx(0.3, abs=1e-9)
    assert own.sd > 0.1  # what the model leaves out is in it


@pytest.mark.parametrize("away", np.arange(-0.6, 0.61, 0.02))
def test_the_belief_that_leads_a_fit_lies_between_both_words(away):
    """Divided out of two peaks, a mean fled to many times the vessels' blur; a full catheter was taken for empty."""
    own, vessels = Blur(0.68 + away, 0.09), Blur(0.68, 0.03)
    led = believed(own, vessels)
    assert min(own.log_sigma, 0.68) - 0.06 - 1e-9 <= led.log_sigma <= max(own.log_sigma, 0.68) + 0.06 + 1e-9
    # together with the shaft's own word it leads where the true belief leads
    x = np.linspace(-1.0, 2.0, 3001)
    weight = np.exp(log_belief(x, vessels) - 0.5 * ((x - own.log_sigma) / own.sd) ** 2)
    mean = float(weight @ x / weight.sum())
    precision = own.sd**-2 + led.sd**-2
    assert (own.log_sigma * own.sd**-2 + led.log_sigma * led.sd**-2) / precision == pytest.approx(mean, abs=0.03)
