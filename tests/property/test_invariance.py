"""What must not matter: where the frame's corner is, how it is turned, and how its grey levels are counted.

Turning, mirroring, cutting off rows and columns, gain, offset and inversion are exact on the stored pixels, so nothing
but the order of sums may change. Rounding is about 1e-12 of a pixel; the fit stops after a fixed number of rounds and
may amplify it, and a path tie may fall the other way by a pixel before the fit. The tolerances below are that, and are
small against the stated uncertainties (MLD 0.03 to 0.1 mm, DS 1 to 4 points).
"""

from dataclasses import replace

import numpy as np
import pytest

from qca.phantom import random_bifurcation, render
from qca.pipeline import measure

GREY_MM = 1e-3
"""Gain, offset, inversion, cut rows: same pixels in the same order."""

TURN_MM = 2e-2
"""Turns and mirrors: same pixels in another order, and another corner for everything that is laid on a grid of its own
(every other pixel of the first rounds, background knots)."""

GREY_POINTS, TURN_POINTS = 0.05, 1.0
GREY_DEG, TURN_DEG = 0.05, 0.4
BRANCH_PX = 0.3
SEEDS = (1, 5)


def transformed(frame, pixels):
    pixels = np.ascontiguousarray(pixels)
    valid = np.ones(pixels.shape, dtype=bool)
    return replace(frame, pixels=pixels, valid=valid, grey_range=(float(pixels.min()), float(pixels.max())))


def moved(picks, place):
    return replace(
        picks,
        proximal=place(picks.proximal),
        distal=place(picks.distal),
        side=place(picks.side),
        catheter=tuple(place(point) for point in picks.catheter),
    )


def same(point):
    return point


@pytest.fixture(scope="module", params=SEEDS)
def original(request):
    phantom = render(random_bifurcation(request.param))
    frame = transformed(phantom.frame(), phantom.pixels.astype(float))
    return frame, phantom.picks, measure(frame, phantom.picks)


def differences(one, other):
    """Largest differences over the limbs: mm, DS points, angle degrees."""
    lengths = [
        abs(getattr(one.limbs[name], field) - getattr(other.limbs[name], field))
        for name in one.limbs
        for field in ("mld_mm", "reference_mm")
    ]
    points = [abs(one.limbs[name].ds_percent - other.limbs[name].ds_percent) for name in one.limbs]
    angles = [abs(getattr(one.angles, letter) - getattr(other.angles, letter)) for letter in "ABC"]
    return max(lengths), max(points), max(angles)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("gain", lambda grey: 3.7 * grey),
        ("offset", lambda grey: grey + 1000.0),
        ("gain and offset", lambda grey: 0.01 * grey - 5.0),
        ("inversion", lambda grey: 4095.0 - grey),
    ],
)
def test_grey_levels(original, name, change):
    frame, picks, reading = original
    mm, points, degrees = differences(measure(transformed(frame, change(frame.pixels)), picks), reading)
    assert mm < GREY_MM
    assert points < GREY_POINTS
    assert degrees < GREY_DEG


def test_shift(original):
    frame, picks, reading = original
    cut = transformed(frame, frame.pixels[5:, 3:])
    mm, points, degrees = differences(measure(cut, moved(picks, lambda p: (p[0] - 3, p[1] - 5))), reading)
    assert mm < GREY_MM
    assert points < GREY_POINTS
    assert degrees < GREY_DEG


LAST = 511

TURNS = {
    "quarter turn": (np.rot90, lambda p: (p[1], LAST - p[0])),
    "half turn": (lambda a: np.rot90(a, 2), lambda p: (LAST - p[0], LAST - p[1])),
    "mirror": (np.fliplr, lambda p: (LAST - p[0], p[1])),
    "upside down": (np.flipud, lambda p: (p[0], LAST - p[1])),
    "transposed": (np.transpose, lambda p: (p[1], p[0])),
}


@pytest.mark.parametrize("name", TURNS)
def test_turns_and_mirrors(original, name):
    frame, picks, reading = original
    turn, place = TURNS[name]
    found = measure(transformed(frame, turn(frame.pixels)), moved(picks, place))
    mm, points, degrees = differences(found, reading)
    assert mm < TURN_MM
    assert points < TURN_POINTS
    assert degrees < TURN_DEG
    x, y = place(reading.branching_point_px)
    assert np.hypot(found.branching_point_px[0] - x, found.branching_point_px[1] - y) < BRANCH_PX


def test_same_inputs_same_reading(original):
    frame, picks, reading = original
    again = measure(frame, picks)
    for name, limb in reading.limbs.items():
        assert again.limbs[name].mld_mm == limb.mld_mm
        assert np.array_equal(again.limbs[name].profile.diameter_px, limb.profile.diameter_px)
