"""Which numbers of a reading stand in the tables: derived from the types that reading.json and its schema come from.

A field ``mld_mm`` of a limb is the quantity ``mld`` in mm; ``mld_sd_mm``, ``mld_low_mm`` and ``mld_high_mm``, where the
type has them, are its standard deviation and its bounds. A number added to the type appears here by itself.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from qca import codec
from qca.picks import LIMBS
from qca.reading import Angles, LimbReading

UNITS = ("mm", "px", "percent")
"""Endings of field names that are units."""

_COMPANIONS = ("sd", "low", "high")

LIMB_NAMES = (*LIMBS, "segment")

MEANINGS: Mapping[str, str] = {
    "mld": "minimal lumen diameter",
    "mld_position": "where the minimal lumen diameter is, along the limb from the carina outwards",
    "reference": "reference vessel diameter at the minimal lumen diameter",
    "law_reference": "diameter that a law of bifurcation diameters gives the limb from the two others' references",
    "lesion_start": "where the lesion begins, along the limb from the carina outwards",
    "lesion_end": "where the lesion ends",
    "lesion_length": "from the beginning to the end of the lesion",
    "length": "how much of the limb was measured",
    "ds": "diameter stenosis, 100 (1 - mld / reference)",
    "area_stenosis": "area stenosis of a round lumen, 100 (1 - (mld / reference)^2)",
    "angle_A": "angle between proximal main vessel and side branch",
    "angle_B": "angle between distal main vessel and side branch",
    "angle_C": "angle between proximal and distal main vessel",
    "medina_digit": "Medina digit: 1 where the diameter stenosis reaches the threshold, else 0, empty if not known",
    "medina_distance": "diameter stenosis minus the Medina threshold",
    "medina_probability": "probability that the Medina digit is 1, from the uncertainty of the diameter stenosis",
    "scale": "millimetres per pixel in the vessel's plane",
}
"""What each quantity is, for the data dictionary."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number of a reading.

    Parameters
    ----------
    name : str
        E.g. ``"mld"``.
    unit : str
        ``mm``, ``px``, ``percent``, ``deg``, ``mm/px`` or ``1``.
    place : str
        ``"limb"`` (once per limb), ``"bifurcation"`` or ``"frame"``.
    path : tuple of str
        Keys in reading.json, below the limb for limb quantities.
    companions : mapping
        ``sd``, ``low``, ``high`` to their paths, where there are such.
    """

    name: str
    unit: str
    place: str
    path: tuple[str, ...]
    companions: Mapping[str, tuple[str, ...]]

    @property
    def meaning(self) -> str:
        """What it is."""
        return MEANINGS.get(self.name, "see README.md")


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a reading: NaN where it is not known; ``low`` and ``high`` bound its 95 % interval."""

    limb: str
    quantity: Quantity
    value: float
    sd: float
    low: float
    high: float


@functools.cache
def limb_quantities() -> tuple[Quantity, ...]:
    """Give the numbers of a limb in the order of the type."""
    hints = codec.hints_of(LimbReading)
    numbers = [name for name, hint in hints.items() if hint is float]
    found: list[Quantity] = []
    for name in numbers:
        base, _, unit = name.rpartition("_")
        if unit not in UNITS or base.rpartition("_")[2] in _COMPANIONS:
            continue
        companions = {kind: (f"{base}_{kind}_{unit}",) for kind in _COMPANIONS if f"{base}_{kind}_{unit}" in hints}
        found.append(Quantity(base, unit, "limb", (name,), companions))
    return tuple(found)


@functools.cache
def frame_quantities() -> tuple[Quantity, ...]:
    """Give the numbers of a whole reading: scale and angles."""
    angles = [name for name in codec.hints_of(Angles) if not name.startswith("sd_")]
    return (
        Quantity("scale", "mm/px", "frame", ("scale", "mm_per_px"), {"sd": ("scale", "sd_mm_per_px")}),
        *(
            Quantity(f"angle_{name}", "deg", "bifurcation", ("angles_deg", name), {"sd": ("angles_deg", f"sd_{name}")})
            for name in angles
        ),
    )


MEDINA_DIGIT = Quantity("medina_digit", "1", "limb", (), {})
MEDINA_DISTANCE = Quantity("medina_distance", "percent", "limb", (), {})
MEDINA_PROBABILITY = Quantity("medina_probability", "1", "limb", (), {})


def all_quantities() -> tuple[Quantity, ...]:
    """Give every quantity that the long table may hold."""
    return (*frame_quantities(), *limb_quantities(), MEDINA_DIGIT, MEDINA_DISTANCE, MEDINA_PROBABILITY)


def values_of(document: Mapping[str, Any]) -> tuple[Value, ...]:
    """Take the values out of a reading.json document.

    Lengths in mm always have a place; lengths in px have one only in a reading without scale, where they are all there
    is.

    Parameters
    ----------
    document : mapping
        JSON values of a reading.
    """
    limbs = document.get("limbs") or {}
    bifurcation = "segment" not in limbs
    scaled = bool(document.get("scale"))
    found = [
        _value("bifurcation" if one.place == "bifurcation" else "frame", one, document)
        for one in frame_quantities()
        if bifurcation or one.place == "frame"
    ]
    wanted = [one for one in limb_quantities() if one.unit != "px" or not scaled]
    for name in (name for name in LIMB_NAMES if name in limbs):
        found += [_value(name, one, limbs[name]) for one in wanted]
    if bifurcation:
        found += _medina(document.get("medina") or {})
    return tuple(found)


def _value(limb: str, quantity: Quantity, document: Mapping[str, Any]) -> Value:
    value = _number(document, quantity.path)
    sd, low, high = (
        _number(document, quantity.companions[kind]) if kind in quantity.companions else math.nan
        for kind in _COMPANIONS
    )
    if not {"low", "high"} & set(quantity.companions):
        low, high = _interval(quantity, value, sd)
    return Value(limb, quantity, value, sd, low, high)


def _interval(quantity: Quantity, value: float, sd: float) -> tuple[float, float]:
    """Bounds as the report has them, where the value has an SD: they end where no value can be."""
    from qca.report.limb_angles import angle_number
    from qca.report.measured import Measured

    if quantity.unit == "deg":
        return angle_number(value, sd).interval
    if quantity.unit == "percent":
        return Measured(value, sd, "%", 1, ceiling=100.0).interval
    return Measured(value, sd, quantity.unit, 2, floor=0.0).interval


def _number(document: Any, path: tuple[str, ...]) -> float:  # noqa: ANN401 - JSON
    for key in path:
        document = document.get(key) if isinstance(document, Mapping) else None
    return float(document) if isinstance(document, (int, float)) and not isinstance(document, bool) else math.nan


def _medina(medina: Mapping[str, Any]) -> list[Value]:
    digits = str(medina.get("code", "")).split(",")
    digits = digits if len(digits) == len(LIMBS) else [""] * len(LIMBS)
    distance = medina.get("distance_percent") or [None] * len(LIMBS)
    probability = medina.get("probability") or [None] * len(LIMBS)
    nan = math.nan
    found: list[Value] = []
    for limb, digit, far, likely in zip(LIMBS, digits, distance, probability, strict=True):
        number = float(digit) if digit in ("0", "1") else nan
        found.append(Value(limb, MEDINA_DIGIT, number, nan, nan, nan))
        found.append(Value(limb, MEDINA_DISTANCE, nan if far is None else float(far), nan, nan, nan))
        found.append(Value(limb, MEDINA_PROBABILITY, nan if likely is None else float(likely), nan, nan, nan))
    return found
