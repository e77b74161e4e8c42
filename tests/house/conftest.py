"""Readings made of drawn numbers: every field filled, some unknown; no measurement needed."""

from __future__ import annotations

import numpy as np
import pytest

from calib.scale import Scale
from qca.picks import Edit, Picks
from qca.reading import Angles, Flag, FrameRecord, LimbReading, Medina, Profile, Reading, WireLine
from qca.settings import DEFAULT_SETTINGS

BIFURCATION = Picks(
    frame=4,
    proximal=(100.0, 40.5),
    distal=(180.0, 210.0),
    side=(60.25, 190.0),
    catheter=((10.0, 5.0), (60.0, 30.0)),
    french=6.0,
    edits=(
        Edit("wall", "side", "left", ((70.0, 150.0), (66.0, 160.5))),
        Edit("lesion", "distal", span_px=(12.0, 40.0)),
        Edit("reference", "proximal", value_px=15.5),
    ),
)
SEGMENT = Picks(start=(10.0, 20.0), end=(90.0, 100.0))


@pytest.fixture
def make_reading():
    """``make_reading(seed, segment=False, scale=True)``: a Reading with every field filled."""
    return build


def build(seed=0, *, segment=False, scale=True, unknown=0.1):
    draw = np.random.default_rng(seed)

    def number():
        return float("nan") if draw.random() < unknown else float(draw.normal(3, 2))

    def vector(size, factor=1.0):
        values = draw.normal(3, 1, size) * factor
        values[draw.random(size) < unknown] = np.nan
        values.flags.writeable = False
        return values

    def points(size):
        values = draw.uniform(0, 255, (size, 2))
        values.flags.writeable = False
        return values

    def profile():
        size = int(draw.integers(1, 40))
        factor = 1.0 if scale else float("nan")
        names = ("position", "diameter", "diameter_sd", "reference")
        return Profile(
            **{f"{name}_px": vector(size) for name in names},
            **{f"{name}_mm": vector(size, factor) for name in names},
            flags=tuple(("low_contrast",) if draw.random() < 0.2 else () for _ in range(size)),
            x_px=vector(size),
            y_px=vector(size),
            left_px=points(size),
            right_px=points(size),
        )

    def limb():
        fields = {
            name: (number() if scale or not name.endswith("_mm") else float("nan"))
            for name, kind in LimbReading.__annotations__.items()
            if kind == "float"
        }
        return LimbReading(
            **fields, reference_source="taper of the healthy part", flags=("overlap",), profile=profile(), edited=True
        )

    names = ("segment",) if segment else ("proximal", "distal", "side")
    return Reading(
        frame=FrameRecord(
            "sample.dcm", "0" * 64, 4, 512, 512, "stored values, unchanged", {"bits_stored": 12, "ratio": 0.5}
        ),
        picks=SEGMENT if segment else BIFURCATION,
        settings=DEFAULT_SETTINGS,
        scale=Scale(0.2, 0.002, "catheter", {"width_px": 10.1, "french": 6}) if scale else None,
        limbs={name: limb() for name in names},
        angles=None if segment else Angles(*(number() for _ in range(6))),
        medina=None if segment else Medina("1,0,?", 50.0, (12.5, -20.0, float("nan")), (0.9, 0.01, float("nan"))),
        branching_point_px=None if segment else (120.5, 99.0),
        carina_px=None if segment else (121.0, 110.0),
        flags=(Flag("scale_missing", "frame", "There is no scale: lengths are in pixels."),),
        fit={"blur_px": 1.2, "residual": {"rms": 0.9, "runs": [1, 2, 3]}},
        catheter_left_px=points(5),
        catheter_right_px=None,
        wires=(WireLine(names[0], points(4)),),
    )
