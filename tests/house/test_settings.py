"""Every setting has a range, refuses what lies outside, and moves a reading."""

from __future__ import annotations

import dataclasses
import math

import pytest

from qca.errors import LimbTooShort, PicksError
from qca.phantom import render
from qca.phantom.recipe import Background, Recipe
from qca.phantom.shapes import Catheter, Lesion, Limb, Path
from qca.pipeline import measure
from qca.settings import DEFAULT_SETTINGS, Settings

FIELDS = dataclasses.fields(Settings)


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_values_outside_the_range_are_refused(field):
    low, high = field.metadata["range"]
    assert low <= field.default <= high
    for value in (low, high):
        assert getattr(Settings(**{field.name: value}), field.name) == value
    for value in (low - 1e-6, high + 1e-3, math.nan, math.inf, -1e300):
        with pytest.raises(ValueError, match=f"{field.name} is .*: it can be {low:g} to {high:g}"):
            Settings(**{field.name: value})


@pytest.fixture(scope="module")
def curved():
    """Frame and picks of a fork with bent limbs, one of them narrowed, and a 6 French catheter."""
    bent = Path(150.0, 26.0, curvature_per_mm=0.02)
    limbs = (
        Limb("proximal", Path(0.0, 30.0), 3.0, pick_mm=16.0),
        Limb("distal", bent, 2.6, pick_mm=16.0, lesions=(Lesion(8.0, 6.0, 52.0),)),
        Limb("side", Path(215.0, 30.0, curvature_per_mm=-0.02), 2.2, pick_mm=16.0),
    )
    phantom = render(
        Recipe(
            seed=3,
            kind="bifurcation",
            limbs=limbs,
            branching_point_mm=(28.0, 31.0),
            rows=270,
            columns=280,
            photons_per_px=1500.0,
            background=Background(tissue_mm=0.0, ribs_mm=0.0, texture_mm=0.0),
            catheter=Catheter((3.0, 6.0), Path(4.0, 50.0), 6.0, 2.0, 1.7, 0.12, pick_mm=(3.0, 30.0)),
            pick_jitter_px=1.0,
        )
    )
    return phantom.frame(), phantom.picks


MOVED = {
    "angle_chord_mm": 3.0,
    "angle_chord_px": 40.0,
    "lesion_edge_fraction": 0.7,
    "medina_threshold_percent": 60.0,
    "catheter_tolerance": 0.05,
    "small_catheter_french": 7.0,
    "catheter_depth_sd_mm": 30.0,
    "pick_radius_px": 1.0,
    "trace_margin_px": 10.0,
    "min_limb_length_px": 90.0,
}


def shown(frame, picks, settings):
    """Everything a reading says, apart from the settings that it carries; or the refusal."""
    try:
        reading = measure(frame, picks, settings)
    except (LimbTooShort, PicksError) as error:
        return str(error)
    return repr(dataclasses.replace(reading, settings=DEFAULT_SETTINGS))


@pytest.fixture(scope="module")
def usual(curved):
    """What the default settings show, with the catheter and without."""
    frame, picks = curved
    bare = dataclasses.replace(picks, catheter=None, french=None)
    return {chosen: shown(frame, chosen, DEFAULT_SETTINGS) for chosen in (picks, bare)}


@pytest.mark.parametrize("name", [field.name for field in FIELDS])
def test_every_setting_moves_the_reading(curved, usual, name):
    frame, (picks, bare) = curved[0], usual
    chosen = bare if name == "angle_chord_px" else picks
    assert shown(frame, chosen, Settings(**{name: MOVED[name]})) != usual[chosen]
