"""Measured numbers and typed facts as quantities that a rule can be applied to."""

from __future__ import annotations

import math

from calib.units import Mm
from qca.sizing.facts import ACCESS_GRADES, CALCIFICATION_GRADES, Facts
from qca.sizing.rules import Quantity


def percent(facts: Facts, limb: str) -> Quantity:
    """Percent stenosis of a limb as a quantity."""
    one = facts.measured.limbs[limb]
    missing = f"percent stenosis of the {limb} limb" if math.isnan(one.ds_percent) else ""
    return Quantity(one.ds_percent, one.ds_sd_percent, missing, subjects=(limb,))


def length(value: Mm, name: str, *subjects: str) -> Quantity:
    """Make a quantity of a length, which rests on its limbs and on the scale."""
    return Quantity(value.value, value.sd, name if math.isnan(value.value) else "", subjects=(*subjects, "scale"))


def angle_b(facts: Facts) -> Quantity:
    """Angle B as a quantity; its rules add the view's error."""
    value, sd = facts.measured.angles_deg["B"]
    return Quantity(value, sd, "angle B" if math.isnan(value) else "", subjects=("angles",))


def fact(value: float | None, key: str) -> Quantity:
    """Make a quantity of a typed fact: exact, or missing by its key."""
    if value is None:
        return Quantity(missing=f"case: {key}")
    return Quantity(float(value))


def grade(facts: Facts, key: str) -> Quantity:
    """Calcification or side access as a number."""
    said = getattr(facts.case, key)
    grades = CALCIFICATION_GRADES if key == "calcification" else ACCESS_GRADES
    return fact(None if said is None else grades[said], key)
