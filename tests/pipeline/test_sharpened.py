"""Frames that went through edge enhancement."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, median_filter, uniform_filter, zoom

from qca.document import reading_text
from qca.flags import FLAGS
from qca.frames.frame import Frame
from qca.phantom import hard_bifurcation, random_bifurcation
from qca.pipeline import FrameAtHand, measure
from qca.sharpened import UnsharpMask, smoothed_back, unsharp_mask
from qca.validation.case import phantom_case
from qca.validation.retina import retina_pixels


def frame_of(pixels):
    pixels = np.asarray(pixels, dtype=float)
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "frame", "", grey_range=(0.0, 4095.0))


def noise(photons=900.0, size=384):
    """Quanta on a slope, 12 bits."""
    rng = np.random.default_rng(8)
    return rng.poisson(photons * np.linspace(0.6, 1.2, size) * np.ones((size, 1))) * (2000 / photons)


def gaussian(pixels, sigma):
    return gaussian_filter(pixels, sigma, mode="mirror", truncate=4)


def box(pixels, width):
    return uniform_filter(pixels, width, mode="mirror")


def enhanced(pixels, amount, mean, size):
    return np.rint(pixels + amount * (pixels - mean(pixels, size)))


@pytest.mark.parametrize(
    ("amount", "mean", "size"),
    [(0.3, gaussian, 1.0), (0.8, gaussian, 1.5), (1.0, gaussian, 2.0), (0.3, box, 3), (0.9, box, 5), (0.7, box, 9)],
)
def test_the_noise_says_what_the_mask_was(amount, mean, size):
    found = unsharp_mask(frame_of(enhanced(noise(), amount, mean, size)))
    assert found.amount == pytest.approx(amount, rel=0.2, abs=0.04)
    sd = size if mean is gaussian else np.sqrt((size**2 - 1) / 12)
    assert (found.sigma_px or np.sqrt((found.box_px**2 - 1) / 12)) == pytest.approx(sd, rel=0.15)


@pytest.mark.parametrize(
    ("mean", "size", "mask"),
    [(gaussian, 1.5, UnsharpMask(0.8, 1.5, 0, 99.0, 1.0)), (box, 7, UnsharpMask(0.8, 0.0, 7, 99.0, 1.0))],
)
def test_a_known_mask_is_undone_to_the_rounding(mean, size, mask):
    before = noise()
    after = smoothed_back(frame_of(enhanced(before, 0.8, mean, size)), mask)
    assert np.abs(after.pixels - before).max() < 0.6
    assert not after.pixels.flags.writeable


@pytest.mark.parametrize(
    "pixels",
    [
        noise(),
        gaussian(noise(), 0.6),
        median_filter(noise(), 3),
        zoom(noise(size=256), 1.5, order=1),
        np.rint(gaussian(noise(), 20.0)),
        np.full((384, 384), 7.0),
        enhanced(gaussian(noise(), 20.0), 0.8, gaussian, 1.5),
        noise(size=40),
    ],
    ids=["white", "red", "denoised", "resampled", "noise-free", "flat", "noise-free and enhanced", "tiny"],
)
def test_other_noise_shows_no_mask(pixels):
    assert unsharp_mask(frame_of(np.rint(pixels))) is None


def test_blocks_under_a_shutter_are_left_out():
    pixels = enhanced(noise(), 0.8, gaussian, 1.5)
    pixels[:, :190] = 20.0
    valid = np.ones(pixels.shape, dtype=bool)
    valid[:, :190] = False
    assert unsharp_mask(replace(frame_of(pixels), valid=valid)) is not None
    assert unsharp_mask(replace(frame_of(pixels), valid=np.zeros_like(valid))) is None


def of_phantom(recipe, amount=0.8, mean=gaussian, size=1.5):
    case = phantom_case(recipe, "sharp")
    pixels = np.clip(enhanced(case.frame.pixels, amount, mean, size), *case.frame.grey_range)
    return case, replace(case.frame, pixels=pixels)


def codes(reading):
    return {flag.code for flag in reading.flags}


@pytest.mark.accuracy
def test_an_enhanced_frame_reads_as_it_did_before():
    """Diameters within a quarter of a SD and the scale within 0.5 %; without undoing scales are off by some percent."""
    for seed in (403, 404):
        case, sharp = of_phantom(random_bifurcation(seed))
        before, after = measure(case.frame, case.picks), measure(sharp, case.picks)
        assert "sharpened" in codes(after)
        assert codes(after) - {"sharpened"} == codes(before)
        assert after.scale.mm_per_px == pytest.approx(before.scale.mm_per_px, rel=0.005)
        for name, limb in before.limbs.items():
            assert after.limbs[name].mld_px == pytest.approx(limb.mld_px, abs=0.25 * limb.mld_sd_px)


@pytest.mark.accuracy
def test_frames_after_edge_enhancement_are_measured_as_well_as_others():
    errors, scales = [], []
    for seed in range(401, 409):
        case = phantom_case(hard_bifurcation(seed, "edge_enhancement"), "sharp")
        reading, scale = measure(case.frame, case.picks), case.target.mm_per_px
        scales.append(reading.scale.mm_per_px / scale - 1)
        for name, limb in reading.limbs.items():
            errors.append((limb.mld_px * scale - case.target.limbs[name].mld_mm, limb.mld_sd_px * scale))
    found, sd = np.array(errors).T
    assert abs(np.mean(scales)) < 0.02
    assert np.std(found) < 0.12
    assert np.mean(np.abs(found) < 1.96 * sd) > 0.85


@pytest.mark.accuracy
def test_others_are_left_as_they_are():
    recipes = [random_bifurcation(seed) for seed in range(401, 407)]
    recipes += [
        hard_bifurcation(401, name)
        for name in ("log", "gamma", "sigmoid", "correlated_noise", "motion", "long_tailed_blur", "clipped")
    ]
    recipes.append(replace(random_bifurcation(401), photons_per_px=np.inf))
    assert not any(unsharp_mask(phantom_case(recipe, "plain").frame) for recipe in recipes)


@pytest.mark.accuracy
def test_a_glance_sees_the_same_frame():
    case, sharp = of_phantom(random_bifurcation(404))
    at_hand = FrameAtHand(sharp)
    assert {"sharpened", "provisional"} <= codes(at_hand.glance(case.picks))
    assert reading_text(at_hand.measure(case.picks)) == reading_text(measure(sharp, case.picks))


@pytest.mark.accuracy
def test_a_cut_lumen_is_not_brought_back():
    case, sharp = of_phantom(random_bifurcation(403))
    low = float(np.percentile(sharp.pixels, 1.5))
    cut = replace(sharp, pixels=np.maximum(sharp.pixels, low))
    found = codes(measure(cut, case.picks))
    assert {"sharpened_cut", "saturated"} <= found
    assert "sharpened" not in found
    assert FLAGS["sharpened_cut"].untrusted


@pytest.mark.parametrize("noise_sd", [2.0, 4.0, 8.0])
def test_a_textured_photograph_with_added_noise_is_left_alone(noise_sd):
    """Fine real vessels all over: the retina photograph of scikit-image, green channel."""
    pixels = retina_pixels()
    noisy = pixels + np.random.default_rng(3).normal(0.0, noise_sd, pixels.shape)
    assert unsharp_mask(Frame(noisy, np.ones(pixels.shape, dtype=bool), "photograph", "0" * 64)) is None
