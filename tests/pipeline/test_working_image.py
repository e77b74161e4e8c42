"""Whether vessels are dark or bright is told from the picture where the file does not say."""

import numpy as np
import pytest

from qca.frames.frame import Frame
from qca.working_image import working_crop

ENDS = np.array([[100.0, 20.0], [103.0, 230.0]])


def tube(width_px, noise_sd, seed):
    """A straight tube along row 100, 100 grey levels deep, in white noise; blurred by averaging over 3 x 3 pixels."""
    rows = np.arange(-1.0, 202.0)
    chord = np.sqrt(np.maximum((width_px / 2) ** 2 - (rows - 100.0) ** 2, 0.0)) / (width_px / 2)
    profile = np.convolve(chord, np.ones(3) / 3, "valid")
    noise = np.random.default_rng(seed).normal(0.0, noise_sd, (201, 250))
    return 600.0 - 100.0 * profile[:, None] + noise


def frame(pixels):
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "tube", "0" * 64)


@pytest.mark.parametrize("width_px", [4.0, 10.0, 20.0, 36.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_vessels_are_told_from_noise_whatever_their_width(width_px, sign):
    noise_sd = 60.0 if width_px > 5 else 25.0
    for seed in range(12):
        pixels = 1000.0 + sign * tube(width_px, noise_sd, seed)
        crop, dark = working_crop(frame(pixels), pixels, ENDS, 60.0)
        assert dark == (sign > 0), seed
        middle = round(100 - crop.origin[0])
        assert crop.image[middle].mean() < crop.image[:10].mean()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_picks_beside_a_vessel_do_not_turn_the_frame(sign):
    """Every pick 5 px outside the wall: the dark line has bright ridges at its sides, and those are nearer."""
    for width_px in (6.0, 14.0):
        beside = ENDS + np.array([[width_px / 2 + 5.0, 0.0], [-width_px / 2 - 5.0, 0.0]])
        for seed in range(6):
            pixels = 1000.0 + sign * tube(width_px, 20.0, seed)
            _, dark = working_crop(frame(pixels), pixels, beside, 60.0)
            assert dark == (sign > 0), (width_px, seed)


def test_the_catheter_votes_too():
    """Where the vessels' picks see nothing but noise, the shaft tells."""
    pixels = 1000.0 + tube(10.0, 40.0, 1)
    off = np.array([[30.0, 40.0], [35.0, 200.0]])
    assert working_crop(frame(pixels), pixels, off, 60.0, ENDS)[1]
    assert not working_crop(frame(-pixels), -pixels, off, 60.0, ENDS)[1]
