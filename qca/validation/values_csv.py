"""Every compared number as a table, for people's own statistics."""

from __future__ import annotations

import math

from qca.csv_text import lines
from qca.validation.run import Results

TRAIT_COLUMNS = ("photons_per_px", "mm_per_px", "blur_mm", "bits", "french", "wall_ratio", "angle_b_deg")

COLUMNS = (
    "case",
    "difficulty",
    "method",
    "where",
    "quantity",
    "truth",
    "measured",
    "error",
    "stated_sd",
    "bound_sd",
    "warning",
    "flags",
    "lesion_place",
    *TRAIT_COLUMNS,
)
"""Columns of values.csv. ``warning``: a flag says that the number is not to be trusted."""

REFUSED_COLUMNS = ("case", "method", "kind", "message")


def values_csv(results: Results) -> str:
    """Write one line per value; units are part of the quantity's name."""
    traits = {trait.case: trait for trait in results.traits}
    rows: list[tuple[object, ...]] = [COLUMNS]
    for value in results.values:
        trait = traits[value.case]
        rows.append(
            (
                value.case,
                trait.difficulty,
                value.method,
                value.where,
                value.quantity,
                value.truth,
                value.measured,
                value.error,
                value.sd,
                value.bound_sd,
                value.untrusted,
                " ".join(value.flags),
                trait.places.get(value.where, ""),
                *(trait.numbers.get(name, math.nan) for name in TRAIT_COLUMNS),
            )
        )
    return lines(rows)


def refused_csv(results: Results) -> str:
    """Write one line per case that gave no reading."""
    rows: list[tuple[object, ...]] = [REFUSED_COLUMNS]
    rows += [(refusal.case, refusal.method, refusal.kind, refusal.message) for refusal in results.refusals]
    return lines(rows)
