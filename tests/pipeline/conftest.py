"""Small phantom frames for the whole measurement: a fork with a catheter beside it, and one straight segment."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from qca.phantom import render
from qca.phantom.recipe import Background, Optics, Recipe
from qca.phantom.shapes import Catheter, Lesion, Limb, Path
from qca.pipeline import measure

EMPTY = Background(tissue_mm=0.0, ribs_mm=0.0, texture_mm=0.0)
CLEAR = Optics(scatter_fraction=0.0, glare_fraction=0.0)
SHAFT = Catheter((3.0, 6.0), Path(4.0, 50.0), 6.0, 2.0, 1.7, 0.12, pick_mm=(3.0, 30.0))
"""6 French along the upper edge of the frame."""

HALF = (Lesion(15.0, 8.0, 50.0),)


@pytest.fixture(scope="session")
def fork():
    """A noisy fork of straight limbs, 56 % distal lesion; anything of the recipe may be changed."""

    def make(directions=(0.0, 150.0, 215.0), widths=(3.0, 2.6, 2.2), **changes):
        lesions = {"distal": (Lesion(9.0, 6.0, 56.0),)}
        limbs = tuple(
            Limb(name, Path(direction, 30.0), width, pick_mm=18.0, lesions=lesions.get(name, ()))
            for name, direction, width in zip(("proximal", "distal", "side"), directions, widths, strict=True)
        )
        recipe = {
            "seed": 7,
            "kind": "bifurcation",
            "limbs": limbs,
            "branching_point_mm": (28.0, 31.0),
            "rows": 270,
            "columns": 280,
            "photons_per_px": 1500.0,
            "background": EMPTY,
            "catheter": SHAFT,
            "pick_jitter_px": 0.0,
        }
        return Recipe(**(recipe | changes))

    return make


@pytest.fixture(scope="session")
def segment():
    """A noisy straight tube of 3 mm with a lesion of 50 % in its middle; anything may be changed."""

    def make(diameter_mm=3.0, lesions=HALF, degrees=12.0, **changes):
        limb = Limb("segment", Path(degrees, 34.0), diameter_mm, lesions=lesions, first_pick_mm=3.0, pick_mm=29.0)
        recipe = {
            "seed": 5,
            "kind": "segment",
            "limbs": (limb,),
            "branching_point_mm": (3.0, 10.0),
            "rows": 130,
            "columns": 190,
            "photons_per_px": 1500.0,
            "background": EMPTY,
            "optics": CLEAR,
            "pick_jitter_px": 0.0,
        }
        return Recipe(**(recipe | changes))

    return make


@pytest.fixture(scope="session")
def forked(fork):
    """Frame, picks and truth of the fork."""
    phantom = render(fork())
    return phantom.frame(), phantom.picks, phantom.truth


@pytest.fixture(scope="session")
def forked_reading(forked):
    """The fork, measured."""
    frame, picks, _ = forked
    return measure(frame, picks)


@pytest.fixture(scope="session")
def tube(segment):
    """Frame, picks (typed scale) and truth of the segment."""
    phantom = render(segment())
    picks = replace(phantom.picks, mm_per_px=0.2, mm_per_px_sd=0.002)
    return phantom.frame(), picks, phantom.truth


@pytest.fixture(scope="session")
def with_pixels():
    """Another frame with other pixels, valid everywhere unless said otherwise."""

    def make(frame, pixels, valid=None, **changes):
        pixels = np.ascontiguousarray(pixels, dtype=float)
        valid = np.ones(pixels.shape, dtype=bool) if valid is None else np.array(valid)
        pixels.setflags(write=False)
        valid.setflags(write=False)
        return replace(frame, pixels=pixels, valid=valid, **changes)

    return make


@pytest.fixture(scope="session")
def alike():
    """Whether two readings agree in a field of every limb."""

    def check(one, other, field, within):
        assert one.limbs.keys() == other.limbs.keys()
        for name in one.limbs:
            a, b = getattr(one.limbs[name], field), getattr(other.limbs[name], field)
            assert math.isfinite(a)
            assert abs(a - b) <= within, (name, field, a, b)

    return check
