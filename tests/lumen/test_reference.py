"""The healthy taper of limbs with and without lesions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from qca.limb_reading import law_reference, narrow_for_the_law
from qca.lumen.reference import (
    NATURAL_SD,
    TAPER_LENGTH_PX,
    TAPERS,
    fit_reference,
)

S = np.arange(2.0, 102.0, 0.5)
SD = np.full(len(S), 0.15)
TAPER = 14.0 - 0.025 * (S - S[0])


def narrowed(centre, length, ds):
    return TAPER * (1 - ds / 200 * (1 + np.cos(2 * np.pi * np.clip((S - centre) / length, -0.5, 0.5))))


def noise(seed, sd=0.15):
    """Noise that neighbours share over 5 px, as a fit's has."""
    covariance = sd**2 * np.exp(-0.5 * ((S[:, None] - S) / 5) ** 2) + 1e-9 * np.eye(len(S))
    return np.linalg.cholesky(covariance) @ np.random.default_rng(seed).normal(size=len(S))


SHAPES = {
    "healthy": TAPER,
    "lesion": narrowed(50, 40, 60),
    "ostial lesion": narrowed(2, 50, 70),
    "lesion near the end": narrowed(85, 30, 50),
    "two lesions": np.minimum(narrowed(30, 30, 50), narrowed(72, 30, 70)),
    "tight lesion": narrowed(50, 30, 90),
}


@pytest.mark.parametrize("name", SHAPES)
def test_taper_through_the_healthy_part(name):
    for seed in range(4):
        reference = fit_reference(S, SHAPES[name] + noise(seed), SD)
        error = reference.line - TAPER
        assert np.abs(error).max() < 0.05 * TAPER[0], seed
        at = int(np.argmin(SHAPES[name] / TAPER))
        assert abs(error[at]) < 0.035 * TAPER[at], seed


@pytest.mark.parametrize("name", ["lesion", "ostial lesion", "tight lesion"])
def test_a_lesion_does_not_count_as_healthy(name):
    healthy = fit_reference(S, SHAPES[name] + noise(1), SD).healthy
    ratio = SHAPES[name] / TAPER
    assert healthy[ratio < 0.8].max() < 0.05
    assert np.median(healthy[ratio > 0.999]) > 0.7


def test_nearly_all_of_a_healthy_limb_counts():
    assert fit_reference(S, TAPER + noise(2), SD).healthy.mean() > 0.8


@pytest.mark.parametrize(("height", "width"), [(0.2, 6.0), (0.4, 6.0)])
def test_a_widening_does_not_lift_the_line(height, width):
    """An ectasia between healthy parts (1.2 and 1.4 times as wide, SD 6 px of 100) is neither healthy nor a lesion."""
    wide = TAPER * (1 + height * np.exp(-0.5 * ((S - 60) / width) ** 2))
    for seed in range(4):
        assert fit_reference(S, wide + noise(seed), SD).line == pytest.approx(TAPER, rel=0.05)


@pytest.mark.parametrize(("height", "flow"), [(0.3, "with"), (0.35, "with"), (0.25, "against"), (0.35, "against")])
def test_a_dilatation_downstream_of_a_lesion_does_not_lift_the_line(height, flow):
    """The lesion, 37 %, has its middle at 46 px, the dilatation at 107; the line stood 1.3 times as high."""
    s = np.arange(0.0, 188.0, 0.5)
    taper = 13.6 - 0.013 * s
    narrow, wide = (np.exp(-0.5 * ((s - middle) / sd) ** 2) for middle, sd in ((46, 16), (107, 18)))
    diameter = taper * (1 - 0.37 * narrow) * (1 + height * wide)
    if flow == "against":
        diameter, taper = diameter[::-1], taper[::-1]
    at = int(np.argmin(diameter))
    assert fit_reference(s, diameter, np.full(len(s), 0.2), flow).line[at] == pytest.approx(taper[at], rel=0.03)


@examples(max_examples=30)
@given(st.sampled_from(list(SHAPES)), st.integers(0, 50), st.floats(0.3, 4.0), st.floats(-200.0, 200.0))
def test_size_and_place_do_not_matter(name, seed, factor, shift):
    diameter = SHAPES[name] + noise(seed)
    one = fit_reference(S, diameter, SD)
    other = fit_reference(S + shift, factor * diameter, factor * SD)
    np.testing.assert_allclose(other.line, factor * one.line, rtol=1e-6)
    np.testing.assert_allclose(other.healthy, one.healthy, atol=1e-5)


@pytest.mark.parametrize("seen", [np.arange(200) >= 120, np.arange(200) >= 0], ids=["ostial lesion", "healthy"])
def test_what_vessels_differ_in_is_in_the_uncertainty(seen):
    """Vessels drawn from the prior (taper, and scatter that neighbours share over 14 px), measured without noise: the
    line at the mouth is off by its stated SD."""
    rng = np.random.default_rng(7)
    shared = np.linalg.cholesky(np.exp(-np.abs(S[:, None] - S) / 7.0) + 1e-9 * np.eye(len(S)))
    errors, stated = [], []
    for _ in range(300):
        truth = 12.0 * (1 + rng.normal(TAPERS["with"].mean, TAPERS["with"].sd) * (S - S.mean()) / TAPER_LENGTH_PX)
        diameter = truth * (1 + NATURAL_SD * shared @ rng.normal(size=len(S)))
        found = fit_reference(S, np.where(seen, diameter, 0.4 * truth), np.full(len(S), 0.02))
        errors.append(found.line[0] - truth[0])
        stated.append(found.vessel_variance_at(0))
    assert np.std(errors) / np.sqrt(np.mean(stated)) == pytest.approx(1.0, abs=0.2)


def test_weights_are_the_derivative_at_fixed_healthy_parts():
    """A shift of all diameters shifts the line; diseased points have no weight."""
    reference = fit_reference(S, SHAPES["lesion"] + noise(1), SD)
    for i in (0, 100, 199):
        weights = reference.weights_at(i)
        assert weights.shape == S.shape
        assert weights.sum() == pytest.approx(1.0, abs=1e-6)
        assert np.abs(weights[np.abs(S - 50) < 8]).max() < 0.02 * np.abs(weights).max()


@pytest.mark.parametrize(
    ("name", "references", "expected"),
    [
        ("proximal", {"distal": 3.0, "side": 2.5}, 3.7215),
        ("proximal", {"distal": 3.0, "side": 3.0}, 4.0377),
        ("proximal", {"distal": 2.5, "side": 2.0}, 3.0531),
        ("side", {"proximal": 3.5, "distal": 3.0}, 2.0955),
        ("distal", {"proximal": 3.5, "side": 3.0}, 2.0955),
        ("side", {"proximal": 4.5, "distal": 3.7}, 2.9273),
        ("side", {"proximal": 4.0, "distal": 3.5}, 2.2739),
        ("side", {"proximal": 3.25, "distal": 2.75}, 2.0018),
    ],
)
def test_reference_by_the_diameter_law(name, references, expected):
    """Dp^(7/3) = D1^(7/3) + D2^(7/3): Huo Y et al., EuroIntervention 2012;7:1310-1316; worked from the formula."""
    given_limbs = dict.fromkeys(("proximal", "distal", "side"), 1.0) | references  # its own is not used
    assert law_reference(name, given_limbs) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "references"),
    [
        ("side", {"proximal": 3.0, "distal": 3.0, "side": 2.0}),
        ("distal", {"proximal": 2.5, "distal": 2.0, "side": 3.0}),
        ("segment", {"segment": 3.0}),
    ],
)
def test_where_the_law_has_no_answer(name, references):
    assert math.isnan(law_reference(name, references))


@pytest.mark.parametrize(
    ("proximal", "distal", "side", "narrow"),
    [
        # mean mother, major and minor daughter of 173 bifurcations: Finet G et al., EuroIntervention 2008;3:490-498
        (3.33, 2.70, 2.23, set()),
        # one SD of casts' scatter around the law (Anat Rec 1998;251:50-59) to either side
        (3.33 * 0.86, 2.70, 2.23, set()),
        (3.33 * 1.14, 2.70, 2.23, set()),
        # a mother narrowed all along, and two daughters
        (3.33 * 0.7, 2.70, 2.23, {"proximal"}),
        (3.33, 2.70 * 0.7, 2.23 * 0.7, {"distal", "side"}),
        # the smaller daughter alone may be as nature made it
        (3.33, 2.70, 2.23 * 0.6, set()),
    ],
)
def test_a_limb_is_too_narrow_only_beyond_the_laws_own_scatter(proximal, distal, side, narrow):
    references = {"proximal": proximal, "distal": distal, "side": side}
    assert {name for name in references if narrow_for_the_law(name, references)} == narrow


def test_a_segment_has_no_law_to_be_too_narrow_for():
    assert not narrow_for_the_law("segment", {"segment": 3.0})


def test_a_proximal_limb_widens_against_the_flow():
    """A lesion hides two thirds of it: what its taper is there, is mostly believed."""
    taper = 14.0 * (1 + 0.025 * (S - S[0]) / TAPER_LENGTH_PX)
    lumen = taper * np.where(S[0] + 33 < S, 0.6, 1.0)
    errors = []
    for flow in ("against", "with"):
        lines = np.array([fit_reference(S, lumen + noise(seed), SD, flow).line for seed in range(8)])
        errors.append(float(np.abs(lines[:, -1].mean() - taper[-1])))
    assert errors[0] < 0.03 * taper[-1]
    assert errors[0] < errors[1]


@pytest.mark.parametrize(("flow", "wide"), [("with", "end"), ("against", "start")])
def test_a_mild_lesion_that_reaches_an_end_is_no_widening(flow, wide):
    """A fifth narrowed over the half where the blood comes from: a line through all of it would rise with the flow."""
    shape = 14.0 * (1 - 0.2 / (1 + np.exp((S - S.mean()) / 6.0)))
    lumen = shape if wide == "end" else shape[::-1]
    lines = np.array([fit_reference(S, lumen + noise(seed), SD, flow).line for seed in range(8)])
    assert lines == pytest.approx(14.0, abs=0.8)


def test_of_a_segment_nobody_knows_which_way_it_runs():
    lumen = SHAPES["lesion"] + noise(3)
    one, other = fit_reference(S, lumen, SD, "unknown"), fit_reference(S, lumen[::-1], SD, "unknown")
    assert other.line[::-1] == pytest.approx(one.line, rel=1e-6)


def test_points_that_may_be_diseased_tell_less():
    """A shoulder two SDs under the line: nobody knows on which side it is, so it hardly moves the reference."""
    shoulder = TAPER - np.exp(-0.5 * ((S - 55) / 20) ** 4)
    middle = np.abs(S - 55) < 10
    doubtful, sound = fit_reference(S, shoulder, SD), fit_reference(S, TAPER, SD)
    share = doubtful.healthy[middle].mean() / sound.healthy[middle].mean()
    told = doubtful.weights_at(100)[middle].sum() / sound.weights_at(100)[middle].sum()
    assert share > 0.4
    assert told < 0.5 * share
