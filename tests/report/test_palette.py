"""The inks can be read on white and told apart by everybody.

Contrast: WCAG 2.1, relative luminance and success criterion 1.4.3. Colour-vision simulation: Machado GM, Oliveira MM,
Fernandes LAF, IEEE Trans Vis Comput Graph 2009;15:1291-1298, matrices for full severity (numbers from memory).
Colour difference: CIE 1976 L*a*b*, D65.
"""

import itertools

import numpy as np
import pytest

from qca.report.palette import ALARM, CATHETER, INKS, QUIET, TEXT, rgb

DEFICIENCIES = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour):
    c = np.array(rgb(colour)) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def luminance(colour):
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    dark, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dark + 0.05)


def lab(linear_rgb):
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_xyz @ np.clip(linear_rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one, other, deficiency):
    seen = [lab(np.array(DEFICIENCIES[deficiency]) @ linear(c)) for c in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_contrast_formula_gives_the_published_values():
    # WCAG 2.1: black on white 21:1; #767676 is the lightest grey that passes 4.5:1 on white
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("colour", [*(ink.colour for ink in INKS.values()), CATHETER.colour, TEXT, QUIET, ALARM])
def test_every_ink_is_readable_on_white(colour):
    assert contrast(colour, "#ffffff") >= 4.5


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_limbs_stay_apart_without_full_colour_vision(deficiency):
    limbs = [INKS[name].colour for name in ("proximal", "distal", "side")]
    for one, other in itertools.combinations(limbs, 2):
        assert apart(one, other, deficiency) >= 25


def test_simulation_sees_what_a_deuteranope_cannot():
    # a red and a green of equal brightness to a deuteranope: far apart for most people, close after the transform
    red, green = "#b85c00", "#6f8000"
    assert np.linalg.norm(lab(linear(red)) - lab(linear(green))) > 40
    assert apart(red, green, "deuteranopia") < 20


def test_limbs_differ_in_dash_and_marker_too():
    inks = [INKS[name] for name in ("proximal", "distal", "side")]
    assert len({ink.dash for ink in inks}) == len({ink.marker for ink in inks}) == 3


def test_rgb_refuses_other_notations():
    with pytest.raises(ValueError, match="'red'"):
        rgb("red")
