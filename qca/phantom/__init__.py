"""Synthetic angiogram frames whose geometry is known: truth to image, sharing no code with the measurement."""

from __future__ import annotations

from qca.phantom.draw import random_bifurcation, random_segment
from qca.phantom.hard import DIFFICULTIES, Difficulty, hard_bifurcation
from qca.phantom.ranges import RANGES, Ranges
from qca.phantom.recipe import Recipe
from qca.phantom.render import RenderedPhantom, render
from qca.phantom.truth import LimbTruth, Truth, truth_of

__all__ = [
    "DIFFICULTIES",
    "RANGES",
    "Difficulty",
    "LimbTruth",
    "Ranges",
    "Recipe",
    "RenderedPhantom",
    "Truth",
    "hard_bifurcation",
    "random_bifurcation",
    "random_segment",
    "render",
    "truth_of",
]
