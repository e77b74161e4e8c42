"""An invented reading, number by number, for tests of the sizing rules: no image stands behind it."""

from __future__ import annotations

import dataclasses
import math
from types import MappingProxyType
from typing import Any

import numpy as np

from calib.scale import Scale
from qca.medina import medina_code
from qca.picks import Picks
from qca.reading import Angles, Flag, FrameRecord, LimbReading, Profile, Reading
from qca.settings import Settings

LIMB_DEFAULTS: dict[str, dict[str, float]] = {
    "proximal": {"reference": 3.5, "ds": 60.0, "start": 1.0, "end": 9.0, "length": 22.0},
    "distal": {"reference": 2.75, "ds": 35.0, "start": 0.5, "end": 6.5, "length": 20.0},
    "side": {"reference": 2.25, "ds": 65.0, "start": 0.3, "end": 6.3, "length": 18.0},
}


def limb_reading(
    *,
    reference: float,
    ds: float,
    start: float,
    end: float,
    length: float,
    mm_per_px: float,
    relative: float,
    reference_sd: float = 0.04,
    mld_sd: float = 0.06,
    ds_sd: float = 2.5,
    length_sd: float = 0.5,
    source: str = "taper of the healthy parts",
    flags: tuple[str, ...] = (),
) -> LimbReading:
    """Make a limb; SDs given are the random parts, in mm; the scale's part is added as a reading does."""

    def total(value: float, sd: float) -> float:
        return math.hypot(sd, value * relative)

    mld = reference * (1.0 - ds / 100.0)
    position = np.append(np.arange(0.0, length, 0.25), length)
    middle, half = (start + end) / 2.0, max((end - start) / 2.0, 0.1)
    depth = np.where(np.abs(position - middle) < half, 0.5 * (1 + np.cos(np.pi * (position - middle) / half)), 0.0)
    diameter = reference - (reference - mld) * depth
    px = position / mm_per_px
    walls = np.column_stack([px, px])
    profile = Profile(
        position_px=px,
        diameter_px=diameter / mm_per_px,
        diameter_sd_px=np.full_like(px, mld_sd / mm_per_px),
        reference_px=np.full_like(px, reference / mm_per_px),
        position_mm=position,
        diameter_mm=diameter,
        diameter_sd_mm=np.hypot(mld_sd, diameter * relative),
        reference_mm=np.full_like(px, reference),
        flags=((),) * len(px),
        x_px=px,
        y_px=px,
        left_px=walls,
        right_px=walls,
    )
    area = 100.0 * (1.0 - (1.0 - ds / 100.0) ** 2)
    return LimbReading(
        mld_px=mld / mm_per_px,
        mld_sd_px=mld_sd / mm_per_px,
        mld_position_px=middle / mm_per_px,
        reference_px=reference / mm_per_px,
        reference_sd_px=reference_sd / mm_per_px,
        lesion_start_px=start / mm_per_px,
        lesion_end_px=end / mm_per_px,
        lesion_length_px=(end - start) / mm_per_px,
        lesion_length_sd_px=length_sd / mm_per_px,
        length_px=length / mm_per_px,
        mld_mm=mld,
        mld_sd_mm=total(mld, mld_sd),
        mld_position_mm=middle,
        reference_mm=reference,
        reference_sd_mm=total(reference, reference_sd),
        lesion_start_mm=start,
        lesion_end_mm=end,
        lesion_length_mm=end - start,
        lesion_length_sd_mm=total(end - start, length_sd),
        length_mm=length,
        reference_source=source,
        ds_percent=ds,
        ds_sd_percent=ds_sd,
        area_stenosis_percent=area,
        area_stenosis_sd_percent=2.0 * (1.0 - ds / 100.0) * ds_sd,
        flags=flags,
        profile=profile,
    )


def without_mm(value: Any) -> Any:
    """Leave out what a limb, and its profile, have in mm."""
    unknown = {
        field.name: getattr(value, field.name) * math.nan
        for field in dataclasses.fields(value)
        if field.name.endswith("_mm")
    }
    if isinstance(value, LimbReading):
        unknown["profile"] = without_mm(value.profile)
    return dataclasses.replace(value, **unknown)


def reading(
    *,
    limbs: dict[str, dict[str, Any]] | None = None,
    angles: tuple[float, float, float] = (140.0, 65.0, 155.0),
    angle_sd: float = 2.0,
    scale_relative_sd: float = 0.01,
    scale: bool = True,
    flags: tuple[Flag, ...] = (),
    exact: bool = False,
    sha256: str = "0" * 64,
    index: int = 12,
) -> Reading:
    """Make a reading; ``exact`` leaves out every uncertainty."""
    mm_per_px = 0.2
    relative = 0.0 if exact else scale_relative_sd
    made = {}
    for name, defaults in LIMB_DEFAULTS.items():
        given: dict[str, Any] = {**defaults, **(limbs or {}).get(name, {})}
        if exact:
            given |= {"reference_sd": 0.0, "mld_sd": 0.0, "ds_sd": 0.0, "length_sd": 0.0}
        made[name] = limb_reading(**given, mm_per_px=mm_per_px, relative=relative)
    if not scale:
        made = {name: without_mm(limb) for name, limb in made.items()}
    sd = 0.0 if exact else angle_sd
    stenoses = [(limb.ds_percent, limb.ds_sd_percent) for limb in made.values()]
    medina = medina_code(*zip(*stenoses, strict=True), 50.0)
    return Reading(
        frame=FrameRecord("invented.png", sha256, index, 512, 512, "linear", MappingProxyType({})),
        picks=Picks(proximal=(0.0, 0.0), distal=(1.0, 0.0), side=(0.0, 1.0)),
        settings=Settings(),
        scale=Scale(mm_per_px, mm_per_px * relative, "typed in") if scale else None,
        limbs=MappingProxyType(made),
        angles=Angles(*angles, sd, sd, sd),
        medina=medina,
        branching_point_px=(10.0, 10.0),
        carina_px=(12.0, 11.0),
        flags=flags,
        fit=MappingProxyType({}),
    )


def device_table(
    *rows: str, columns: str = "kind,label,nominal_mm,length_mm,expansion_limit_mm,cell_opening_mm,note"
) -> str:
    """Write a device table as CSV text."""
    return "\n".join([columns, *rows]) + "\n"


PLENTY = device_table(
    "stent,main,2.75,30,4.5,4.0,",
    "stent,side,2.25,20,4.0,3.5,",
    "balloon,opt,3.50,8,,,",
    "balloon,cell,2.25,12,,,",
    "balloon,kiss,2.75,12,,,",
)
"""Devices that fit the default invented reading in every role."""

FULL_CASE = """
site = "not_left_main"
calcification = "moderate"
thrombus = false
lesions = 1
side_mass_percent = 12
side_access = "easy"
"""
"""All case facts that the published criteria ask for."""
