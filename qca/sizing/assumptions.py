"""Numbers that planning needs and no image and no label gives: margins, overlaps, limits of certainty.

Each can be changed in the ``[plan]`` part of an override file; the worksheet records them all.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from qca.sizing.laws import LAW_SCATTER
from qca.sizing.rules import NO_SOURCE, OWN_CHOICE


def _number(default: float, unit: str, meaning: str, source: str, low: float, high: float) -> Any:  # noqa: ANN401
    metadata = {"unit": unit, "meaning": meaning, "source": source, "range": (low, high)}
    return dataclasses.field(default=default, metadata=metadata)


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Planning numbers; the metadata of each field holds unit, meaning, source and range."""

    landing_margin_mm: float = _number(
        3.0, "mm", "a stent reaches this far beyond each end of a lesion", NO_SOURCE, 0.0, 10.0
    )
    daughter_reach_mm: float = _number(
        5.0, "mm", "a stent reaches at least this far into a daughter", OWN_CHOICE, 0.0, 20.0
    )
    covered_ds_percent: float = _number(
        20.0, "%", "a narrowing of at least this much is covered when lengths are planned", OWN_CHOICE, 0.0, 100.0
    )
    culotte_overlap_mm: float = _number(
        3.0,
        "mm",
        "culotte: how far the stent with the short end reaches proximal to the side branch's mouth",
        OWN_CHOICE,
        0.0,
        20.0,
    )
    mini_crush_protrusion_mm: float = _number(
        2.0,
        "mm",
        "mini-crush: length of side stent pressed flat proximal to the side branch's mouth",
        OWN_CHOICE,
        0.0,
        10.0,
    )
    double_kissing_protrusion_mm: float = _number(
        2.0,
        "mm",
        "double-kissing crush: length of side stent pressed flat proximal to the mouth",
        "published descriptions of the technique: 2 mm",
        0.0,
        10.0,
    )
    optimisation_tolerance_mm: float = _number(
        0.25,
        "mm",
        "before rewiring, the proximal stent part measures the proximal reference within this",
        OWN_CHOICE,
        0.0,
        2.0,
    )
    imaging_sd_mm: float = _number(
        0.15, "mm", "a reference with an SD above this asks for intravascular imaging", OWN_CHOICE, 0.0, 5.0
    )
    foreshortening_deg: float = _number(
        20.0,
        "deg",
        "a limb may lie this much out of the image plane: the upper end of lengths is divided by its cosine",
        OWN_CHOICE,
        0.0,
        60.0,
    )
    view_band_deg: float = _number(
        5.0,
        "deg",
        "an angle read in one view may be off by this much, any error equally likely",
        "projection geometry: with the view 30 degrees off, 60 reads as 53 to 67 (2 atan(tan 30 cos 30) and / cos 30)",
        5.0,
        30.0,
    )
    law_scatter: float = _number(
        LAW_SCATTER,
        "relative SD",
        "scatter of mother diameters around any diameter law; half the scatter 0.26/0.93 of the area ratio in casts",
        "area expansion ratio 0.93 ± 0.26, Anat Rec 1998;251:50-59",
        0.0,
        1.0,
    )
    sure_probability: float = _number(
        0.95, "", "from this probability a rule counts as fulfilled (and below 1 minus it as failed)", OWN_CHOICE,
        0.5, 0.999,
    )  # fmt: skip
    draws: float = _number(20000, "", "number of samples where no closed form exists", OWN_CHOICE, 100, 1e6)
    seed: float = _number(1, "", "seed of the samples", OWN_CHOICE, 0, 2**31)


DEFAULT_ASSUMPTIONS = Assumptions()
"""Used where an override file says nothing."""
