"""A shaft across a background that lets less and less through: its contrast falls, its width does not."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.tube.curve import curve_through
from qca.tube.shaft import fit_shaft
from qca.tube.shaft_model import ShaftOptions

ATTENUATION, RADIUS, BLUR, OVER = 0.014, 6.0, 1.1, 4
"""Per px of contrast medium; px."""


def picture(slope, seed=3):
    """A filled shaft along the columns by Beer-Lambert, transmitted quanta changing by ``slope`` along its length."""
    rows, columns = 60, 140
    y = (np.arange(rows * OVER) + 0.5) / OVER - 0.5
    x = (np.arange(columns * OVER) + 0.5) / OVER - 0.5
    chord = 2 * np.sqrt(np.maximum(RADIUS**2 - (y - 30.0) ** 2, 0.0))
    open_beam = 2000.0 * (1 + slope * (x / columns - 0.5))
    seen = gaussian_filter(open_beam[None, :] * np.exp(-ATTENUATION * chord)[:, None], BLUR * OVER)
    frame = seen.reshape(rows, OVER, columns, OVER).mean((1, 3))
    return frame + np.random.default_rng(seed).normal(0.0, 12.0, frame.shape)


@pytest.mark.parametrize("slope", [0.0, 0.9, -0.9])
def test_width_and_no_taper(slope):
    curve = curve_through(np.column_stack([np.full(115, 30.3), np.arange(12.0, 127.0)]), 2.0)
    shaft = fit_shaft(
        picture(slope),
        curve,
        5.5,
        log_sigma=np.log(BLUR),
        log_sigma_sd=0.03,
        bend=ATTENUATION,
        contrast=2000.0 * ATTENUATION,
        options=ShaftOptions(),
    )
    assert abs(shaft.outer_px / (2 * RADIUS) - 1) < 0.02
    assert abs(shaft.taper) < 4 * shaft.taper_sd < 0.1
