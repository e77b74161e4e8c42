"""What may hide on a limb, in the SDs of its MLD and stenosis: held against a simulation of Bayes' rule."""

import math

import numpy as np
import pytest

from qca.lumen.hidden import with_hidden
from qca.lumen.stenosis import Stenosis

PLACES, WIDTH = 20, 3.0
"""Places that can be narrowed one by one, and the diameter of the vessel."""


def found(**changes):
    numbers = {
        "index": 0, "mld": WIDTH, "mld_sd": 0.1, "reference": WIDTH, "reference_sd": 0.1, "ds_percent": 0.0,
        "ds_sd_percent": 3.0, "area_percent": 0.0, "area_sd_percent": 6.0, "lesion_start": 0.0, "lesion_end": 0.0,
        "lesion_length": 0.0, "lesion_length_sd": math.nan, "starts_at_mouth": False, "ends_at_end": False,
    }  # fmt: skip
    return Stenosis(**(numbers | changes))


def hiding(fall, sd, diameter=None, stenosis=None):
    diameter = np.full(PLACES, WIDTH) if diameter is None else diameter
    places = np.arange(PLACES)
    return with_hidden(stenosis or found(), diameter, np.full(PLACES, WIDTH), places, np.eye(PLACES), fall, sd)


def test_the_sd_is_that_of_the_minima_that_lead_to_what_is_seen():
    """Draw limbs, three of ten narrowed at one place by anything up to closing, and what noise lets the pixels say."""
    rng = np.random.default_rng(3)
    draws, sd = 400_000, 0.5
    truth = np.zeros((draws, PLACES))
    narrowed = np.flatnonzero(rng.random(draws) < 0.3)
    truth[narrowed, rng.integers(PLACES, size=len(narrowed))] = WIDTH * rng.random(len(narrowed))
    seen = truth + sd * rng.standard_normal(truth.shape)
    best = (seen / sd).max(axis=1)
    for low, high in ((2.2, 2.4), (2.7, 2.9), (3.2, 3.4)):
        alike = np.flatnonzero((best > low) & (best < high))
        # the smooth curve's own answer is no narrowing
        happened = np.sqrt(np.mean(truth[alike].max(axis=1) ** 2) - np.mean(truth[alike].max(axis=1)) ** 2)
        stated = [math.sqrt(max(hiding(seen[k], np.full(PLACES, sd)).mld_sd ** 2 - 0.1**2, 0.0)) for k in alike[:300]]
        assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(happened, rel=0.15)


def test_where_the_pixels_ask_for_nothing_nothing_changes():
    stenosis = found()
    assert hiding(np.full(PLACES, 0.9), np.full(PLACES, 0.5), stenosis=stenosis) is stenosis


def test_what_is_found_narrowed_has_an_sd_of_its_own():
    diameter = np.full(PLACES, WIDTH)
    diameter[4] = 1.5
    fall = np.zeros(PLACES)
    fall[4] = 1.2
    stenosis = found(index=4, mld=1.5, ds_percent=50.0)
    assert hiding(fall, np.full(PLACES, 0.4), diameter, stenosis) is stenosis


def test_a_narrowing_that_would_not_be_the_smallest_does_not_matter():
    diameter = np.full(PLACES, WIDTH)
    diameter[4] = 1.0
    fall = np.zeros(PLACES)
    fall[12] = 1.5
    stenosis = found(index=4, mld=1.0, ds_percent=66.7)
    assert hiding(fall, np.full(PLACES, 0.5), diameter, stenosis).mld_sd == stenosis.mld_sd


def test_all_sds_that_hang_on_the_mld_grow():
    fall = np.zeros(PLACES)
    fall[9] = 1.5
    before, after = found(), hiding(fall, np.full(PLACES, 0.5))
    grown = after.mld_sd**2 - before.mld_sd**2
    assert grown > 0
    ds = after.ds_sd_percent**2 - before.ds_sd_percent**2
    assert ds == pytest.approx(grown * (100 / WIDTH) ** 2)
    assert after.area_sd_percent == pytest.approx(2 * after.ds_sd_percent)
    assert after.mld == before.mld


def test_a_fit_of_no_vessel_does_not_overflow():
    fall = np.full(PLACES, -2500.0)
    fall[3] = 2500.0
    assert math.isfinite(hiding(fall, np.full(PLACES, 60.0)).mld_sd)
