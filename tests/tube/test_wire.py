"""A wire in the lumen: its shade against the transmission written out, and the fit's derivatives with it."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from qca.tube.chord import blurred_opacity
from qca.tube.curve import curve_through
from qca.tube.limb import lay_limb
from qca.tube.options import FitOptions
from qca.tube.priors import PriorNumbers
from qca.tube.problem import Problem
from qca.tube.shared import Shared
from qca.tube.wire import Strand, Wire, shade, with_wires

SIGMA, BEND = 1.2, 0.03


@pytest.mark.parametrize(("diameter", "place"), [(18.0, 0.0), (18.0, 0.6), (12.0, -0.4), (6.0, 0.0)])
def test_shade_is_that_of_a_thin_rod_in_the_light_that_passes_the_lumen(diameter, place):
    """Beer-Lambert through contrast with a rod of 1.8 px in it, blurred: nothing of the estimator's is used."""
    fine = np.arange(-40, 40, 0.02)
    r, rod, metal = diameter / 2, 0.9, 0.12
    centre = place * (r - rod)
    chord = 2 * np.sqrt(np.maximum(r**2 - fine**2, 0))
    inside = 2 * np.sqrt(np.maximum(rod**2 - (fine - centre) ** 2, 0))
    seen = gaussian_filter1d(np.exp(-BEND * (chord - inside) - metal * inside), SIGMA / 0.02)
    x = np.arange(-15.0, 15.5, 0.5)
    total = np.interp(x, fine, (1 - seen) / BEND)
    area = float(np.trapezoid((1 - np.exp(-(metal - BEND) * inside)) / BEND, fine))
    on = np.ones(len(x), dtype=bool)
    lumen = blurred_opacity(x, np.full(len(x), r), SIGMA, BEND).value
    wire = shade(x, np.full(len(x), r), np.full(len(x), place), on, area, SIGMA).value
    found = with_wires(lumen, wire[None], BEND).value
    assert np.abs(total - lumen).max() > 0.5
    np.testing.assert_allclose(found, total, atol=0.06 * np.abs(total - lumen).max())


def test_a_broader_line_has_the_same_area():
    x = np.arange(-30.0, 30.0, 0.1)
    on, r, place = np.ones(len(x), dtype=bool), np.full(len(x), 9.0), np.zeros(len(x))
    thin, broad = (shade(x, r, place, on, 7.0, SIGMA, times).value for times in (1.0, 2.0))
    assert np.trapezoid(thin, x) == pytest.approx(7.0, rel=1e-6)
    assert np.trapezoid(broad, x) == pytest.approx(7.0, rel=1e-6)
    assert broad.max() == pytest.approx(thin.max() / 2, rel=1e-6)


def test_two_wires_do_not_care_which_comes_first():
    rng = np.random.default_rng(1)
    lumen, wires = rng.uniform(0, 20, 50), rng.uniform(0, 3, (2, 50))
    one, two = with_wires(lumen, wires, BEND), with_wires(lumen, wires[::-1], BEND)
    np.testing.assert_allclose(one.value, two.value)
    np.testing.assert_allclose(one.by_wire, two.by_wire[::-1])
    np.testing.assert_allclose(1 - BEND * one.value, (1 - BEND * lumen) * np.prod(1 - BEND * wires, axis=0))


def test_places_stay_where_they_are_when_the_limb_is_laid_anew():
    strand = Strand.along(1, 100.0)
    strand = Strand(1, strand.spline, np.linspace(-1, 1, strand.spline.count))
    laid = strand.relaid(112.0)
    back = np.arange(5.0, 90.0, 5.0)
    here = laid.spline.values(112.0 - back, laid.f)
    np.testing.assert_allclose(here, strand.spline.values(100.0 - back, strand.f), atol=0.02)


@pytest.fixture(scope="module", params=[0.0, 0.02], ids=["linear scale", "logarithmic scale"])
def problem(request):
    """Three limbs that meet, a wire from the first into each of the others."""
    rng = np.random.default_rng(2)
    image = 1000 + rng.normal(0, 10, (120, 140))
    meeting = np.array([60.0, 60.0])
    limbs = []
    for angle, radius in ((180.0, 7.0), (20.0, 5.0), (-50.0, 4.0)):
        direction = np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
        curve = curve_through(meeting + np.arange(0.0, 45.0)[:, None] * direction, 2.0)
        limbs.append(lay_limb(curve, np.full(len(curve.points), radius), 3.0, 5.0, 16.0))
    lengths = [limb.curve.length for limb in limbs]
    wires = [
        Wire(9.0, (Strand.along(0, lengths[0], 0.4), Strand.along(1, lengths[1], -0.3))),
        Wire(6.0, (Strand.along(0, lengths[0], -0.5), Strand.along(2, lengths[2], 0.2))),
    ]
    shared = Shared(log_k=np.log(20.0), bend=BEND, log_sigma=np.log(SIGMA))
    usable = np.ones(image.shape, dtype=bool)
    options = FitOptions(priors=PriorNumbers(curve=request.param))
    return Problem(image, limbs, options, shared, usable, 3.0, wires=wires)


def test_derivatives_are_those_of_the_prediction(problem):
    """Central differences for every kind of parameter, with wires in all limbs.

    Radius and offset beyond the mouths, for the union's derivatives are approximate (their own test bounds them). The
    blur's leave out what it does to the widening of narrow places.
    """
    layout = problem.layout
    rng = np.random.default_rng(3)
    theta = problem.theta.copy()
    for part in (*layout.r, *layout.e, *layout.wire_f):
        theta[part] += rng.normal(0, 0.1, part.stop - part.start)
    prediction = problem.prediction
    state = prediction.at(theta)
    values = prediction.jacobian(state, np.ones(len(problem.level)))
    normal, _ = prediction.pattern.normal(values, problem.level)
    kinds = {
        "radius": [part.start + k for part in layout.r for k in (9, 13)],
        "offset": [part.start + k for part in layout.e for k in (6, 8)],
        "contrast": [layout.log_k, layout.g[0].start + 1],
        "bending": [layout.bend],
        "blur": [layout.log_sigma],
        "background": [layout.ground.start + 20],
        "wire area": list(range(layout.wire_area.start, layout.wire_area.stop)),
        "wire place": [part.start + k for part in layout.wire_f for k in (1, 3)],
    }
    for kind, positions in kinds.items():
        for q in positions:
            step = np.zeros(layout.size)
            step[q] = 1e-4
            slope = (prediction.at(theta + step).model - prediction.at(theta - step).model) / 2e-4
            assert float(slope @ slope) > 0, kind
            near = 0.05 if kind == "blur" else 0.02
            along = prediction.pattern.cross(values, slope[:, None])[q, 0]
            assert along == pytest.approx(float(slope @ slope), rel=near), kind
            assert normal[q, q] == pytest.approx(float(slope @ slope), rel=2 * near), kind


def test_cross_products_are_those_of_the_dense_matrix(problem):
    prediction = problem.prediction
    state = prediction.at(problem.theta)
    root = np.sqrt(np.random.default_rng(4).uniform(0.5, 1, len(problem.level)))
    values, residual = prediction.jacobian(state, root), np.random.default_rng(5).normal(size=(len(problem.level), 2))
    weighted = root[:, None] * residual
    _, one = prediction.pattern.normal(values, weighted[:, 0])
    np.testing.assert_allclose(prediction.pattern.cross(values, weighted)[:, 0], one, rtol=1e-4, atol=1e-2)
