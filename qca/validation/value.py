"""One measured number beside its truth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from qca import doubted
from qca.reading import Reading
from qca.validation.case import Case, LimbTarget
from qca.validation.off_the_shelf import PlainReading

Method = Literal["joint fit", "off the shelf"]
METHODS: tuple[Method, ...] = ("joint fit", "off the shelf")

Quantity = Literal[
    "mld_mm",
    "mld_scale_apart_mm",
    "reference_mm",
    "reference_scale_apart_mm",
    "ds_percent",
    "lesion_length_mm",
    "angle_a_deg",
    "angle_b_deg",
    "angle_c_deg",
    "scale_percent",
    "medina_digit",
]


@dataclass(frozen=True, slots=True)
class Value:
    """One row of the values table.

    ``where`` is a limb, ``angles`` or ``scale``. ``sd`` is the stated standard deviation, NaN where none is stated.
    ``scale_percent`` is 100 times the measured over the true scale, its truth 100. ``medina_digit`` is 0 or 1, and its
    ``sd`` holds the stated probability of a 1. A quantity ``..._scale_apart_mm`` is the length in pixels times the true
    scale. ``untrusted``: a flag of the frame, the scale or this limb says that the number is not to be trusted.
    ``bound_sd`` is the information bound of the quantity, NaN where not computed.
    """

    case: str
    method: Method
    where: str
    quantity: Quantity
    truth: float
    measured: float
    sd: float
    untrusted: bool = False
    flags: tuple[str, ...] = ()
    bound_sd: float = math.nan

    @property
    def error(self) -> float:
        """Measured minus true."""
        return self.measured - self.truth


def reading_values(case: Case, reading: Reading) -> Iterator[Value]:
    """Compare a reading with the truth; one row for every number whose truth is known."""
    target, scale = case.target, reading.scale
    # what is said of the angles says nothing of a diameter
    general = {flag.code for flag in reading.flags if flag.where not in reading.limbs and flag.where != "angles"}
    for name, limb in target.limbs.items():
        found = reading.limbs[name]
        flags = tuple(sorted(general | set(found.flags)))
        untrusted = any(map(doubted.untrusted, flags))
        measured = {
            "mld_mm": (found.mld_mm, found.mld_sd_mm),
            "mld_scale_apart_mm": (found.mld_px * target.mm_per_px, found.mld_sd_px * target.mm_per_px),
            "reference_mm": (found.reference_mm, found.reference_sd_mm),
            "reference_scale_apart_mm": (
                found.reference_px * target.mm_per_px,
                found.reference_sd_px * target.mm_per_px,
            ),
            "ds_percent": (found.ds_percent, found.ds_sd_percent),
            "lesion_length_mm": (
                found.lesion_length_px * target.mm_per_px,
                found.lesion_length_sd_px * target.mm_per_px,
            ),
        }
        for quantity, truth in _limb_truths(limb):
            value, sd = measured[quantity]
            yield Value(case.name, "joint fit", name, quantity, truth, value, sd, untrusted, flags)
    if target.angles_deg is not None and reading.angles is not None:
        angles = reading.angles
        flags = tuple(sorted({flag.code for flag in reading.flags}))
        untrusted = any(doubted.untrusted(flag.code) for flag in reading.flags if flag.where == "angles")
        for letter, value, sd in (
            ("A", angles.A, angles.sd_A),
            ("B", angles.B, angles.sd_B),
            ("C", angles.C, angles.sd_C),
        ):
            yield Value(
                case.name, "joint fit", "angles", _ANGLE[letter], target.angles_deg[letter], value, sd, untrusted, flags
            )
    if scale is not None and math.isfinite(target.mm_per_px):
        share = 100 / target.mm_per_px
        codes = tuple(flag.code for flag in reading.flags if flag.where == "scale")
        value, sd = scale.mm_per_px * share, scale.sd_mm_per_px * share
        untrusted = any(map(doubted.untrusted, codes))
        yield Value(case.name, "joint fit", "scale", "scale_percent", 100.0, value, sd, untrusted, codes)
    if target.medina is not None and reading.medina is not None:
        for name, true, digit, probability in zip(
            ("proximal", "distal", "side"),
            target.medina.split(","),
            reading.medina.code.split(","),
            reading.medina.probability,
            strict=True,
        ):
            known = math.nan if digit == "?" else float(digit)
            yield Value(case.name, "joint fit", name, "medina_digit", float(true), known, probability)


def plain_values(case: Case, reading: PlainReading) -> Iterator[Value]:
    """Compare what the library calls give with the truth; no uncertainty is stated."""
    target = case.target
    mm = reading.mm_per_px
    for name, limb in target.limbs.items():
        found = reading.limbs[name]
        measured = {
            "mld_mm": found.mld_px * mm,
            "mld_scale_apart_mm": found.mld_px * target.mm_per_px,
            "reference_mm": found.reference_px * mm,
            "reference_scale_apart_mm": found.reference_px * target.mm_per_px,
            "ds_percent": found.ds_percent,
            "lesion_length_mm": found.lesion_length_px * target.mm_per_px,
        }
        for quantity, truth in _limb_truths(limb):
            yield Value(case.name, "off the shelf", name, quantity, truth, measured[quantity], math.nan)
        if target.medina is not None:
            digit = float(found.ds_percent >= 50)
            true = float(target.medina.split(",")[("proximal", "distal", "side").index(name)])
            yield Value(case.name, "off the shelf", name, "medina_digit", true, digit, math.nan)
    if target.angles_deg is not None and reading.angles_deg is not None:
        for letter, true in target.angles_deg.items():
            yield Value(
                case.name, "off the shelf", "angles", _ANGLE[letter], true, reading.angles_deg[letter], math.nan
            )
    if math.isfinite(mm) and math.isfinite(target.mm_per_px):
        share = 100 * mm / target.mm_per_px
        yield Value(case.name, "off the shelf", "scale", "scale_percent", 100.0, share, math.nan)


_ANGLE: dict[str, Quantity] = {"A": "angle_a_deg", "B": "angle_b_deg", "C": "angle_c_deg"}


def _limb_truths(limb: LimbTarget) -> Iterator[tuple[Quantity, float]]:
    pairs: tuple[tuple[Quantity, float], ...] = (
        ("mld_mm", limb.mld_mm),
        ("mld_scale_apart_mm", limb.mld_mm),
        ("reference_mm", limb.reference_mm),
        ("reference_scale_apart_mm", limb.reference_mm),
        ("ds_percent", limb.ds_percent),
        ("lesion_length_mm", limb.lesion_length_mm),
    )
    return ((quantity, truth) for quantity, truth in pairs if math.isfinite(truth))
