"""Whether the numbers of a reading fit together: one that was changed by hand, or by half, is told.

Checked is what the formulas of the measurement make true of every reading, those with hand edits included: lengths in
mm are those in px on the reading's scale, the stenosis is that of the minimum and the reference, whatever the reference
rests on. What is unknown (NaN) contradicts nothing.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping

import numpy as np

from calib.scale import Scale
from calib.units import Px
from qca.diameter_law import law_reference
from qca.medina import medina_code
from qca.percent_stenosis import percent_area_stenosis, percent_diameter_stenosis
from qca.picks import LIMBS
from qca.reading import Angles, LimbReading, Medina, Profile, Reading

Claim = tuple[str, float, str, float]
"""A field, the number that stands there, what else says the same, and the number that it leads to."""

_ROUNDING = 1e-6
"""Part by which two ways to one number may differ: numbers are written with all their digits, and other programs that
write them anew may keep nine."""

_ALONG = ("mld_position", "lesion_start", "lesion_end")
_LENGTHS = ("mld", "reference", *_ALONG, "lesion_length", "length", "law_reference")
_WITH_SD = ("mld", "reference", "lesion_length")
_PROFILED = ("position", "diameter", "diameter_sd", "reference")


def contradictions(reading: Reading) -> tuple[str, ...]:
    """Say which numbers of a reading contradict others of it.

    Parameters
    ----------
    reading : Reading
        As read back; every number within its bounds.

    Returns
    -------
    tuple of str
        For each a clause that names the field, the number there and the one that others lead to; none where all fit.
    """
    found = [
        f"{field} is {stands:.{digits}g}, but by {by} it is {leads:.{digits}g}"
        for field, stands, by, leads in _claims(reading)
        if not _agree(stands, leads)
        for digits in [next(n for n in (4, 6, 9, 17) if f"{stands:.{n}g}" != f"{leads:.{n}g}")]
    ]
    if reading.scale is None:
        found += [
            f"{field} is {stands:.6g}, but scale is null, without which every number in mm is null"
            for field, stands in _all_in_mm(reading)
            if not math.isnan(stands)
        ]
    return tuple(found)


def _claims(reading: Reading) -> Iterator[Claim]:
    for limb, numbers in reading.limbs.items():
        if reading.scale is not None:
            yield from _in_mm(numbers, reading.scale, f"limbs.{limb}")
            yield from _profile_in_mm(numbers.profile, reading.scale, f"limbs.{limb}.profile")
        yield from _stenosis(numbers, f"limbs.{limb}")
        yield from _along(numbers, f"limbs.{limb}")
    if set(reading.limbs) == set(LIMBS):
        yield from _law(reading.limbs)
        if reading.medina is not None:
            yield from _medina(reading.medina, reading.limbs, reading.settings.medina_threshold_percent)
    if reading.angles is not None:
        yield from _angles(reading.angles)


def _in_mm(limb: LimbReading, scale: Scale, where: str) -> Iterator[Claim]:
    """Lengths in mm and their SDs are those in px on the scale."""
    for length in _LENGTHS:
        px, mm = getattr(limb, f"{length}_px"), getattr(limb, f"{length}_mm")
        yield f"{where}.{length}_mm", mm, f"{length}_px and scale.mm_per_px", px * scale.mm_per_px
    for length in _WITH_SD:
        px, sd, mm = (getattr(limb, f"{length}{end}") for end in ("_px", "_sd_px", "_sd_mm"))
        leads = scale.to_mm(Px(px, sd)).sd if math.isfinite(scale.sd_mm_per_px) else sd * scale.mm_per_px
        yield f"{where}.{length}_sd_mm", mm, f"{length}_px, {length}_sd_px and scale", leads


def _stenosis(limb: LimbReading, where: str) -> Iterator[Claim]:
    """By diameter, by area, and the SD of the latter."""
    ds = percent_diameter_stenosis(limb.mld_px, limb.reference_px)
    yield f"{where}.ds_percent", limb.ds_percent, "mld_px and reference_px", ds
    area = percent_area_stenosis(limb.ds_percent)
    yield f"{where}.area_stenosis_percent", limb.area_stenosis_percent, "ds_percent", area
    sd = 2 * (1 - limb.ds_percent / 100) * limb.ds_sd_percent
    yield f"{where}.area_stenosis_sd_percent", limb.area_stenosis_sd_percent, "ds_percent and ds_sd_percent", sd


def _along(limb: LimbReading, where: str) -> Iterator[Claim]:
    """Places along the limb: the lesion around the minimum, both within the profile, and the reference there."""
    profile = limb.profile
    position, line = profile.position_px, profile.reference_px
    start, at, end = limb.lesion_start_px, limb.mld_position_px, limb.lesion_end_px
    yield f"{where}.lesion_length_px", limb.lesion_length_px, "lesion_start_px and lesion_end_px", end - start
    yield f"{where}.mld_position_px", at, "lesion_start_px, beyond which it lies,", max(at, start)
    yield f"{where}.mld_position_px", at, "lesion_end_px, before which it lies,", min(at, end)
    if len(position) == 0:
        return
    first, last = float(position[0]), float(position[-1])
    yield f"{where}.length_px", limb.length_px, "profile.position_px", last - first
    yield f"{where}.lesion_start_px", start, "profile.position_px, where the limb begins,", max(start, first)
    yield f"{where}.lesion_end_px", end, "profile.position_px, where the limb ends,", min(end, last)
    known = np.isfinite(position) & np.isfinite(line)
    if math.isfinite(at) and known.any():
        there = float(np.interp(at, position[known], line[known]))
        yield f"{where}.reference_px", limb.reference_px, "profile.reference_px at mld_position_px", there


def _profile_in_mm(profile: Profile, scale: Scale, where: str) -> Iterator[Claim]:
    """Diameters along the limb: of each list the first place where mm are not px on the scale."""
    relative = scale.sd_mm_per_px if math.isfinite(scale.sd_mm_per_px) else 0.0
    for quantity in _PROFILED:
        px, mm = (getattr(profile, f"{quantity}_{unit}") for unit in ("px", "mm"))
        leads = px * scale.mm_per_px
        if quantity == "diameter_sd":
            leads = np.hypot(leads, profile.diameter_px * relative)
        away = np.abs(mm - leads) > _ROUNDING * np.maximum(np.abs(mm), 1.0)
        for index in np.flatnonzero(away)[:1]:
            field = f"{where}.{quantity}_mm[{index}]"
            yield field, float(mm[index]), f"{quantity}_px and scale", float(leads[index])


def _all_in_mm(reading: Reading) -> Iterator[tuple[str, float]]:
    """Every number in mm, with its place."""
    for limb, numbers in reading.limbs.items():
        for field in dataclasses.fields(numbers):
            if field.name.endswith("_mm"):
                yield f"limbs.{limb}.{field.name}", getattr(numbers, field.name)
        for quantity in _PROFILED:
            for index, value in enumerate(getattr(numbers.profile, f"{quantity}_mm").tolist()):
                yield f"limbs.{limb}.profile.{quantity}_mm[{index}]", value


def _law(limbs: Mapping[str, LimbReading]) -> Iterator[Claim]:
    references = {name: limb.reference_px for name, limb in limbs.items()}
    for name in LIMBS:
        leads = law_reference(name, references)
        yield f"limbs.{name}.law_reference_px", limbs[name].law_reference_px, "the limbs' reference_px", leads


def _medina(medina: Medina, limbs: Mapping[str, LimbReading], threshold: float) -> Iterator[Claim]:
    """Digits, distances and probabilities are those of the stenoses."""
    yield "medina.threshold_percent", medina.threshold_percent, "settings.medina_threshold_percent", threshold
    found = medina_code([limbs[n].ds_percent for n in LIMBS], [limbs[n].ds_sd_percent for n in LIMBS], threshold)
    for i, (name, stands, leads) in enumerate(zip(LIMBS, _digits(medina.code), _digits(found.code), strict=True)):
        by = f"limbs.{name}.ds_percent"
        if abs(found.distance_percent[i]) > _ROUNDING:  # at the threshold the last bit decides
            yield f"medina.code's digit {i + 1}", stands, by, leads
        yield f"medina.distance_percent[{i}]", medina.distance_percent[i], by, found.distance_percent[i]
        yield f"medina.probability[{i}]", medina.probability[i], f"{by} and its SD", found.probability[i]


def _digits(code: str) -> tuple[float, ...]:
    digits = tuple(float(digit) if digit in ("0", "1") else math.nan for digit in code.split(","))
    return digits if len(digits) == len(LIMBS) else (math.nan,) * len(LIMBS)


def _angles(angles: Angles) -> Iterator[Claim]:
    """Three directions in one plane: the angles make a full turn, or the largest is the sum of the two others."""
    values = {field.name: getattr(angles, field.name) for field in dataclasses.fields(angles)}
    least, middle, largest = sorted("ABC", key=lambda name: (math.isnan(values[name]), values[name]))
    small = values[least] + values[middle]
    leads = min(small, 360.0 - small, key=lambda angle: abs(angle - values[largest]))
    yield f"angles_deg.{largest}", values[largest], f"{least} and {middle}, between the same three limbs,", leads


def _agree(one: float, other: float) -> bool:
    return math.isnan(one) or math.isnan(other) or abs(one - other) <= _ROUNDING * max(abs(one), abs(other), 1.0)
