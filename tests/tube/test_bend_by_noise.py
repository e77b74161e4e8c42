"""What the noise says about the bending of the grey scale."""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.phantom import hard_bifurcation, random_bifurcation
from qca.phantom.transmission import contrast_per_mm
from qca.pipeline import measure
from qca.tube.bend_by_noise import noise_fall, told_by_noise
from qca.tube.priors import PriorNumbers
from qca.validation.case import phantom_case

MU, STRAY, LEVELS = 0.025, 0.2, 2000.0


def fit_of(scale, photons=900.0, count=20000, seed=4):
    """A fit that is right: Poisson counts of chords up to 14 px through a grey ``scale`` of the intensity."""
    rng = np.random.default_rng(seed)
    chord = np.where(rng.random(count) < 0.6, 0.0, rng.uniform(0, 14, count))
    intensity = 1 - (1 - STRAY) * (1 - np.exp(-MU * chord))
    seen = scale(np.maximum(rng.poisson(photons * intensity), 1) / photons)
    contrast = (scale(1.0) - scale(1 - 1e-4)) / 1e-4 * (1 - STRAY) * MU
    return SimpleNamespace(
        level=seen,
        model=scale(intensity),
        shown=np.ones(count, dtype=bool),
        base=float(scale(1.0)),
        theta=np.array([np.log(contrast)]),
        layout=SimpleNamespace(log_k=0),
        typical=1.0,
        opacity=chord,
    )


SCALES = {
    "linear": (lambda i: LEVELS * i, 1.0),
    "a root, on which quanta's noise is even": (lambda i: LEVELS * np.sqrt(i), 0.5),
    "logarithmic": (lambda i: LEVELS * (1 + 0.5 * np.log(i)), 0.0),
    "a power of 1.8": (lambda i: LEVELS * i**1.8, 1.8),
}
"""Anscombe FJ, Biometrika 1948;35:246-254, for the root; the noise of a logarithm goes with one over the intensity."""


@pytest.mark.parametrize("name", SCALES)
def test_fall_of_the_noise(name):
    scale, gamma = SCALES[name]
    found = noise_fall(fit_of(scale))
    expected = (1 - STRAY) * MU * (2 * gamma - 1)
    assert found.sd < 0.004
    # a line through what bends a little is off by a tenth
    assert abs(found.per_px - expected) < 3 * found.sd + 0.1 * MU


@pytest.mark.parametrize("name", SCALES)
def test_belief_in_the_bending(name):
    scale, gamma = SCALES[name]
    told = told_by_noise(PriorNumbers(), fit_of(scale))
    assert abs(told.bend - MU * (1 - (1 - gamma) * (1 - STRAY))) < 2 * told.bend_sd
    assert told.bend_sd < 0.4 * PriorNumbers().bend_sd


@pytest.mark.parametrize("name", SCALES)
def test_curvature_of_the_scale_has_its_sign(name):
    """Over the chord: below zero for powers above one."""
    scale, gamma = SCALES[name]
    told = told_by_noise(PriorNumbers(), fit_of(scale))
    assert abs(told.curve - (1 - gamma) * (1 - STRAY) * MU) < 2 * told.bend_sd


def test_a_scale_never_turns_back_over_the_longest_chord():
    scale, _ = SCALES["a power of 1.8"]
    fit = fit_of(lambda i: scale(i) ** 4 / LEVELS**3)
    assert told_by_noise(PriorNumbers(), fit).curve * fit.opacity.max() == pytest.approx(-0.5)


def test_without_noise_nothing_is_told():
    assert told_by_noise(PriorNumbers(), fit_of(SCALES["linear"][0], photons=1e9)) == PriorNumbers()


@pytest.mark.parametrize("kind", ["plain", "log", "gamma"])
def test_on_whole_frames(kind, monkeypatch):
    """Drawn frames, whose attenuation and stray light are known."""
    falls = []
    import qca.tree.grow as rounds

    def listen(priors, fit):
        falls.append(noise_fall(fit))
        return told_by_noise(priors, fit)

    monkeypatch.setattr(rounds, "told_by_noise", listen)
    for seed in (1, 2, 3):
        recipe = random_bifurcation(seed) if kind == "plain" else hard_bifurcation(seed, kind)
        case = phantom_case(recipe, kind)
        measure(case.frame, case.picks)
        gamma = {"plain": 1.0, "log": 0.0, "gamma": recipe.grey.gamma}[kind]
        stray = recipe.optics.scatter_fraction + recipe.optics.glare_fraction
        mu = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev) * recipe.mm_per_px
        assert abs(falls[-1].per_px - (1 - stray) * mu * (2 * gamma - 1)) < 3 * falls[-1].sd + 0.1 * mu


def test_noise_of_no_scale_tells_nothing():
    """A display curve that is flat where the background lies: lumens are much noisier than a logarithm makes them."""
    fit = fit_of(SCALES["linear"][0])
    flat = LEVELS - fit.model < 1e-6
    fit.level[flat] = fit.model[flat] + 0.2 * (fit.level[flat] - fit.model[flat])
    assert noise_fall(fit).per_px < -0.1
    assert told_by_noise(PriorNumbers(), fit) == PriorNumbers()
