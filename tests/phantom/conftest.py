"""Recipes that are simple enough to know the answer on paper."""

from __future__ import annotations

import math

import pytest

from qca.phantom.recipe import Background, Optics, Recipe
from qca.phantom.shapes import Limb, Path

EMPTY = Background(tissue_mm=0.0, ribs_mm=0.0, texture_mm=0.0)
CLEAR = Optics(scatter_fraction=0.0, glare_fraction=0.0)


@pytest.fixture
def straight():
    """Build a straight, even tube through the middle of a small frame, without background, stray light and noise."""

    def make(diameter_mm=2.0, degrees=0.0, offset_mm=0.0, length_mm=60.0, **changes):
        size = changes.pop("size", 96)
        scale = changes.get("mm_per_px", 0.2)
        angle = math.radians(degrees)
        middle = (size - 1) / 2 * scale
        start = (
            middle - math.cos(angle) * length_mm / 2 - math.sin(angle) * offset_mm,
            middle - math.sin(angle) * length_mm / 2 + math.cos(angle) * offset_mm,
        )
        limb = changes.pop("limb", Limb("segment", Path(degrees, length_mm), diameter_mm, pick_mm=length_mm - 1))
        recipe = {
            "seed": 1,
            "kind": "segment",
            "limbs": (limb,),
            "branching_point_mm": start,
            "rows": size,
            "columns": size,
            "photons_per_px": math.inf,
            "background": EMPTY,
            "optics": CLEAR,
        }
        return Recipe(**(recipe | changes))

    return make


@pytest.fixture
def fork():
    """Build a bifurcation of straight, even limbs: main vessel's turn and branch angle in degrees."""

    def make(widths=(3.0, 2.4, 2.4), angle_b=60.0, angle_c=150.0, lesions=(), **changes):
        directions = (0.0, angle_c, angle_c + angle_b)
        limbs = tuple(
            Limb(
                name,
                Path(direction, 30.0),
                width,
                pick_mm=20.0,
                lesions=tuple(lesion for limb, lesion in lesions if limb == name),
            )
            for name, direction, width in zip(("proximal", "distal", "side"), directions, widths, strict=True)
        )
        recipe = {
            "seed": 1,
            "kind": "bifurcation",
            "limbs": limbs,
            "branching_point_mm": (30.0, 30.0),
            "rows": 300,
            "columns": 300,
            "photons_per_px": math.inf,
            "background": EMPTY,
            "optics": CLEAR,
        }
        return Recipe(**(recipe | changes))

    return make
