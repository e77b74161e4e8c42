"""Minimal diameter, percent stenosis and lesion limits on profiles whose answers are worked by hand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from qca.lumen.reference import Reference, fit_reference
from qca.lumen.stenosis import measure_stenosis, minimum_bias
from qca.percent_stenosis import percent_area_stenosis, percent_diameter_stenosis

S = np.arange(0.0, 60.25, 0.5)
EVERYWHERE = np.ones(len(S), dtype=bool)
SURE = 1e-8 * np.eye(len(S))
"""Covariance so small that nothing is corrected."""


@pytest.mark.parametrize(
    ("ds", "area"),
    [
        (10, 19),
        (20, 36),
        (25, 43.75),
        (30, 51),
        (40, 64),
        (50, 75),
        (60, 84),
        (70, 91),
        (75, 93.75),
        (80, 96),
        (90, 99),
        (95, 99.75),
        (29.2893, 50),
        (68.3772, 90),
        (0, 0),
        (100, 100),
    ],
)
def test_diameter_and_area_stenosis(ds, area):
    """Conversion table of a circular lumen: area goes with the square of the diameter (geometry of the circle)."""
    assert percent_area_stenosis(ds) == pytest.approx(area, abs=1e-3)


@pytest.mark.parametrize(("mld", "reference", "ds"), [(1.5, 3.0, 50), (0.9, 3.0, 70), (3.0, 3.0, 0), (3.3, 3.0, -10)])
def test_percent_diameter_stenosis(mld, reference, ds):
    assert percent_diameter_stenosis(mld, reference) == pytest.approx(ds)


def level(value, healthy=None, variance=0.0):
    """A flat reference that does not depend on the diameters, with a variance of its own, px^2."""
    count = len(S)
    return Reference(
        np.full(count, float(value)),
        np.ones(count) if healthy is None else healthy,
        np.zeros((2, count)),
        np.column_stack([np.ones(count), S]),
        np.diag([variance, 0.0]),
    )


def found(diameter, reference=None, covariance=SURE, usable=EVERYWHERE, fraction=0.9, edge_distance=4.0, blur=0.0):
    return measure_stenosis(
        S, diameter, covariance, reference or level(10.0), usable, fraction, edge_distance, blur=blur
    )


WEDGE = np.interp(S, [20.0, 30.0, 45.0], [10.0, 5.0, 10.0])
"""10 px wide, from 20 px on narrowing to 5 px at 30 px, wide again at 45 px; all straight lines."""


@pytest.mark.parametrize(
    ("fraction", "start", "end"),
    [(0.9, 22.0, 42.0), (0.8, 24.0, 39.0), (0.75, 25.0, 37.5), (0.97, 20.6, 44.1)],
)
def test_lesion_limits_by_hand(fraction, start, end):
    """The flanks fall by 0.5 and rise by 1/3 px per px: 9 px wide at 22 and at 42 px, and so on."""
    lesion = found(WEDGE, fraction=fraction)
    assert (lesion.lesion_start, lesion.lesion_end) == pytest.approx((start, end))
    assert lesion.lesion_length == pytest.approx(end - start)
    assert not lesion.starts_at_mouth
    assert not lesion.ends_at_end


def test_minimum_by_hand():
    lesion = found(WEDGE)
    assert S[lesion.index] == 30.0
    assert (lesion.mld, lesion.reference, lesion.ds_percent) == pytest.approx((5.0, 10.0, 50.0), abs=1e-3)
    assert lesion.area_percent == pytest.approx(75.0, abs=1e-2)
    # d(AS)/d(DS) = 2 (1 - DS / 100)
    assert lesion.area_sd_percent == pytest.approx(2 * 0.5 * lesion.ds_sd_percent, rel=1e-3)


def test_between_samples_the_limit_is_interpolated():
    """Flanks that cross 9 px at 21.2 and 38.8 px, between two samples."""
    diameter = np.interp(S, [19.2, 29.2, 30.8, 40.8], [10.0, 5.0, 5.0, 10.0])
    lesion = found(diameter)
    assert (lesion.lesion_start, lesion.lesion_end) == pytest.approx((21.2, 38.8), abs=0.05)


def test_without_narrowing_there_is_a_minimum_and_no_lesion():
    lesion = found(10.0 - 0.01 * np.abs(S - 40))
    assert lesion.lesion_length == 0.0
    assert math.isnan(lesion.lesion_length_sd)
    assert lesion.lesion_start == lesion.lesion_end == S[lesion.index]
    assert lesion.ds_percent == pytest.approx(4.0, abs=0.01)
    assert not lesion.starts_at_mouth
    assert not lesion.ends_at_end


def test_a_lesion_at_the_mouth_begins_there():
    lesion = found(np.interp(S, [5.0, 20.0], [5.0, 10.0]))
    assert lesion.starts_at_mouth
    assert lesion.lesion_start == 0.0
    assert lesion.lesion_end == pytest.approx(17.0)  # 5 + 15 * 4 / 5
    assert not lesion.ends_at_end


def test_a_lesion_that_leaves_the_traced_part():
    lesion = found(np.interp(S, [40.0, 55.0], [10.0, 5.0]))
    assert lesion.ends_at_end
    assert lesion.lesion_end == 60.0
    assert lesion.lesion_start == pytest.approx(43.0)  # 40 + 15 / 5


def test_a_lesion_within_the_edge_distance_counts_as_cut():
    narrow = np.interp(S, [0.0, 8.0, 16.0], [10.0, 5.0, 10.0])  # 9 px at 1.6 px
    assert found(narrow, edge_distance=4.0).starts_at_mouth
    assert not found(narrow, edge_distance=1.0).starts_at_mouth


def test_the_minimum_is_sought_where_it_may_lie():
    two = np.minimum(WEDGE, np.interp(S, [48.0, 54.0, 60.0], [10.0, 3.0, 10.0]))
    assert S[found(two).index] == 54.0
    assert S[found(two, usable=S < 47).index] == 30.0


def test_uncertainty_of_one_point():
    """SD of DS is 100 sd / reference for the MLD's sd, and 100 mld / reference^2 for the reference's, in quadrature."""
    noise = 0.2**2 * np.eye(len(S))
    lesion = found(WEDGE, covariance=noise)
    assert lesion.mld_sd == pytest.approx(0.2)
    assert lesion.ds_sd_percent == pytest.approx(2.0)
    assert lesion.reference_sd == 0.0
    unsure = found(WEDGE, level(10.0, variance=0.3**2), covariance=noise)
    assert unsure.reference_sd == pytest.approx(0.3)
    assert unsure.ds_sd_percent == pytest.approx(np.hypot(2.0, 3.0 * unsure.mld / 10.0))


def test_blur_widens_the_limits():
    """Each of the two limits is off by the blur as well: variances add."""
    sharp, soft = found(WEDGE), found(WEDGE, blur=1.5)
    assert soft.lesion_length_sd**2 - sharp.lesion_length_sd**2 == pytest.approx(2 * 1.5**2)
    assert soft.lesion_length == sharp.lesion_length


def noisy(seed, sd=0.25, reach=5.0):
    covariance = sd**2 * np.exp(-0.5 * ((S[:, None] - S) / reach) ** 2) + 1e-9 * np.eye(len(S))
    truth = (10.0 - 0.02 * S) * (1 - 0.25 * (1 + np.cos(np.pi * np.clip((S - 32) / 10, -1, 1))))
    rng = np.random.default_rng(seed)
    return truth, truth + np.linalg.cholesky(covariance) @ rng.normal(size=len(S)), covariance


def test_stated_uncertainties_against_monte_carlo():
    """150 noisy profiles of one lesion: spread and bias of MLD, reference and DS against their stated SDs (a spread of
    150 is known to 6 %); the SD of the reference holds the natural spread of vessels, which these do not have."""
    lesions = []
    for seed in range(150):
        _, diameter, covariance = noisy(seed)
        reference = fit_reference(S, diameter, np.sqrt(np.diag(covariance)))
        lesions.append(found(diameter, reference, covariance))
    truth = noisy(0)[0]
    for name, true, low, high in (
        ("mld", truth.min(), 0.8, 1.3),
        ("reference", 10.0 - 0.02 * 32, 0.9, 3.0),
        ("ds_percent", 50.0, 0.8, 1.5),
    ):
        values = np.array([getattr(x, name) for x in lesions])
        stated = np.mean([getattr(x, {"ds_percent": "ds_sd_percent"}.get(name, f"{name}_sd")) for x in lesions])
        assert low < stated / values.std(ddof=1) < high, name
        assert abs(values.mean() - true) < 0.35 * stated, name


# --- the bias of a minimum -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "expected"), [(2, -0.5642), (3, -0.8463), (5, -1.1630), (10, -1.5388)])
def test_minimum_of_independent_normals(count, expected):
    """Expected smallest of n standard normal variables: tables of normal order statistics (Harter HL, Biometrika
    1961;48:151-165); 200 draws know it to about 0.06."""
    assert minimum_bias(np.full(count, 9.0), np.eye(count)) == pytest.approx(expected, abs=0.15)
    assert minimum_bias(np.full(count, 9.0), 0.04 * np.eye(count)) == pytest.approx(0.2 * expected, abs=0.03)


def test_noise_that_moves_the_whole_curve_has_no_bias():
    assert minimum_bias(WEDGE, 0.3**2 * np.ones((len(S), len(S)))) == pytest.approx(0.0, abs=1e-9)


def test_a_sharp_minimum_has_less_bias_than_a_flat_one():
    covariance = 0.2**2 * np.exp(-np.abs(S[:, None] - S) / 3)
    flat, sharp = minimum_bias(np.full(len(S), 9.0), covariance), minimum_bias(WEDGE, covariance)
    assert flat < sharp <= 0


def test_a_minimum_is_corrected_for_what_noise_does_and_its_sd_holds_all():
    """What smoothness keeps from being told is in the covariance, but moves no minimum from frame to frame."""
    covariance = 0.2**2 * np.exp(-np.abs(S[:, None] - S) / 3)
    shape = 9.0 + 0.01 * (S - 30.0) ** 2 / 30.0

    def measured(noise):
        return measure_stenosis(S, shape, covariance, level(10.0), EVERYWHERE, 0.9, 4.0, noise=noise)

    everything, half, nothing = (measured(noise) for noise in (None, 0.25 * covariance, np.zeros_like(covariance)))
    assert nothing.mld == shape.min()
    assert nothing.mld < half.mld < everything.mld
    assert everything.mld_sd == half.mld_sd == nothing.mld_sd == pytest.approx(0.2)


@examples(max_examples=40)
@given(st.integers(1, 40), st.integers(0, 2**32 - 1), st.floats(0.0, 1.0))
def test_bias_is_never_upwards_and_always_the_same(count, seed, size):
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(count, count)) * size / math.sqrt(count)
    diameter = rng.uniform(2, 10, count)
    bias = minimum_bias(diameter, root @ root.T)
    assert bias <= 0
    assert bias == minimum_bias(diameter, root @ root.T)


def test_positions_far_from_the_minimum_do_not_draw_its_noise_anew():
    covariance = 0.2**2 * np.exp(-np.abs(S[:, None] - S) / 3)
    valley = 9.0 + 0.0005 * (S - S.mean()) ** 2
    bias = minimum_bias(valley, covariance)
    for count in (len(S) - 1, len(S) - 2, len(S) - 10):
        assert minimum_bias(valley[:count], covariance[:count, :count]) == pytest.approx(bias, abs=2e-4)


def test_the_minimum_is_corrected_upwards_and_stays_above_zero():
    covariance = 0.3**2 * np.exp(-np.abs(S[:, None] - S) / 3)
    assert found(WEDGE, covariance=covariance).mld > WEDGE.min()
    assert found(np.full(len(S), -1.0), covariance=SURE).mld > 0
