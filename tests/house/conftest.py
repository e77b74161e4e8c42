"""Readings made of drawn numbers: every field filled, some unknown; no measurement needed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.scale import Scale
from qca.diameter_law import law_reference
from qca.medina import medina_code
from qca.picks import Edit, Picks
from qca.reading import Angles, Flag, FrameRecord, LimbReading, Profile, Reading, WireLine
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

    mm, sd_mm = (0.2, 0.002) if scale else (math.nan, math.nan)

    def known(value):
        return math.nan if draw.random() < unknown else float(value)

    def vector(values):
        values = np.where(draw.random(len(values)) < unknown, np.nan, values)
        values.flags.writeable = False
        return values

    def points(size):
        values = draw.uniform(0, 255, (size, 2))
        values.flags.writeable = False
        return values

    def profile(position, reference):
        size = len(position)
        diameter, sd = draw.uniform(5, 15, size), draw.uniform(0.1, 1, size)
        lines = {"position": position, "diameter": diameter, "diameter_sd": sd, "reference": np.full(size, reference)}
        in_mm = {name: line * mm for name, line in lines.items()} | {"diameter_sd": np.hypot(sd * mm, diameter * sd_mm)}
        return Profile(
            **{f"{name}_px": vector(line) for name, line in lines.items()},
            **{f"{name}_mm": vector(line) for name, line in in_mm.items()},
            flags=tuple(("low_contrast",) if draw.random() < 0.2 else () for _ in range(size)),
            x_px=vector(draw.normal(3, 1, size)),
            y_px=vector(draw.normal(3, 1, size)),
            left_px=points(size),
            right_px=points(size),
        )

    def limb(name, reference):
        position = np.arange(int(draw.integers(2, 40))) * 0.5 - 1.0
        mld, start, at, end = draw.uniform(1, 20), *np.sort(draw.uniform(position[0], position[-1], 3))
        sds = dict(zip(("mld", "reference", "lesion_length"), draw.uniform(0.1, 2, 3), strict=True))
        px = {"mld": mld, "reference": reference, "mld_position": at, "lesion_start": start, "lesion_end": end}
        px |= {"lesion_length": end - start, "length": position[-1] - position[0]}
        px["law_reference"] = law_reference(name, references)
        ds, ds_sd = 100 * (1 - mld / reference), draw.uniform(1, 5)
        return LimbReading(
            **{f"{key}_px": known(value) for key, value in px.items()},
            **{f"{key}_mm": known(value * mm) for key, value in px.items()},
            **{f"{key}_sd_px": known(sd) for key, sd in sds.items()},
            **{f"{key}_sd_mm": known(math.hypot(sd * mm, px[key] * sd_mm)) for key, sd in sds.items()},
            ds_percent=known(ds),
            ds_sd_percent=known(ds_sd),
            area_stenosis_percent=known(100 * (1 - (mld / reference) ** 2)),
            area_stenosis_sd_percent=known(2 * mld / reference * ds_sd),
            reference_source="taper of the healthy part",
            flags=("overlap",),
            profile=profile(position, reference),
            edited=True,
        )

    names = ("segment",) if segment else ("proximal", "distal", "side")
    references = dict(zip(names, np.sort(draw.uniform(8, 20, len(names)))[::-1], strict=True))
    limbs = {name: limb(name, reference) for name, reference in references.items()}
    turns = np.sort(draw.uniform(0, 180, 2))
    return Reading(
        frame=FrameRecord(
            "sample.dcm", "0" * 64, 4, 512, 512, "stored values, unchanged", {"bits_stored": 12, "ratio": 0.5}
        ),
        picks=SEGMENT if segment else BIFURCATION,
        settings=DEFAULT_SETTINGS,
        scale=Scale(0.2, 0.002, "catheter", {"width_px": 10.1, "french": 6}) if scale else None,
        limbs=limbs,
        angles=None if segment else Angles(*map(known, (*turns, turns[1] - turns[0], *draw.uniform(1, 5, 3)))),
        medina=None
        if segment
        else medina_code([limbs[n].ds_percent for n in names], [limbs[n].ds_sd_percent for n in names], 50.0),
        branching_point_px=None if segment else (120.5, 99.0),
        carina_px=None if segment else (121.0, 110.0),
        flags=(Flag("scale_missing", "frame", "There is no scale: lengths are in pixels."),),
        fit={"blur_px": 1.2, "residual": {"rms": 0.9, "runs": [1, 2, 3]}},
        catheter_left_px=points(5),
        catheter_right_px=None,
        wires=(WireLine(names[0], points(4)),),
    )
