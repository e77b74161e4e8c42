"""The profiles of all limbs as CSV, one row per position."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from qca.csv_text import lines
from qca.doubted import untrusted
from qca.report.measured import Measured
from qca.report.plain import plain
from qca.report.quantities import in_millimetres
from qca.report.remarks import Remark, remarks, touching

if TYPE_CHECKING:
    from qca.reading import LimbReading, Reading

PROFILE_COLUMNS: Mapping[str, str] = MappingProxyType(
    {
        "limb": "proximal, distal, side, or segment",
        "position_mm": "distance from the carina outwards along the limb, mm; empty without a scale",
        "diameter_mm": "lumen diameter, mm; empty where unknown or without a scale",
        "diameter_sd_mm": "its standard deviation, the scale's part included, mm",
        "diameter_low_mm": "lower end of its 95 % interval, mm",
        "diameter_high_mm": "upper end of its 95 % interval, mm",
        "reference_mm": "reference diameter at this position, mm",
        "position_px": "distance from the carina, stored pixels",
        "diameter_px": "lumen diameter, stored pixels",
        "diameter_sd_px": "its standard deviation, stored pixels",
        "reference_px": "reference diameter at this position, stored pixels",
        "x_px": "centreline, column; an integer is a pixel centre",
        "y_px": "centreline, row",
        "left_x_px": "left wall (left hand of someone walking outwards, y pointing down), column",
        "left_y_px": "left wall, row",
        "right_x_px": "right wall, column",
        "right_y_px": "right wall, row",
        "in_lesion": "1 between the limits of the lesion, 0 outside, empty when there is none",
        "edited_by_hand": "1 when the limb carries hand edits, else 0",
        "flags": "codes of the flags at this position, separated by spaces",
        "untrusted": "codes of the flags, at this position, on the limb or on the scale, for which numbers of the row "
        "must not be used as they stand, separated by spaces",
    }
)
"""Columns of the CSV, in order, with unit and meaning."""


def profile_csv(reading: Reading) -> str:
    """Write the profiles of all limbs.

    Parameters
    ----------
    reading : Reading
        The reading.

    Returns
    -------
    str
        CSV with a header line (``PROFILE_COLUMNS``), a decimal point, full precision, unknown values empty, lines
        ending in a newline. Limbs in the reading's order, positions from the carina outwards.
    """
    found = remarks(reading)
    rows = [
        _row(name, limb, k, struck)
        for name, limb in reading.limbs.items()
        for k, struck in enumerate(_struck(reading, name, found))
    ]
    return lines([tuple(PROFILE_COLUMNS), *rows])


def _struck(reading: Reading, name: str, found: tuple[Remark, ...]) -> list[tuple[str, ...]]:
    """Give the codes that strike each position of a limb: those at it, and those that stand at no position."""
    at = reading.limbs[name].profile.flags
    placed = {code for codes in at for code in codes}
    touched = touching(found, name, "scale") if in_millimetres(reading) else touching(found, name)
    everywhere = [remark.code for remark in touched if remark.code not in placed]
    return [tuple(dict.fromkeys([*filter(untrusted, codes), *everywhere])) for codes in at]


def _row(name: str, limb: LimbReading, k: int, struck: tuple[str, ...]) -> tuple[str | float | None, ...]:
    profile = limb.profile
    diameter = Measured(float(profile.diameter_mm[k]), float(profile.diameter_sd_mm[k]), "mm", 2, floor=0.0)
    numbers = (
        profile.position_mm[k],
        diameter.value,
        profile.diameter_sd_mm[k],
        *diameter.interval,
        profile.reference_mm[k],
        profile.position_px[k],
        profile.diameter_px[k],
        profile.diameter_sd_px[k],
        profile.reference_px[k],
        profile.x_px[k],
        profile.y_px[k],
        *profile.left_px[k],
        *profile.right_px[k],
    )
    return (
        plain(name),
        *(float(value) if math.isfinite(value) else None for value in numbers),
        _in_lesion(limb, float(profile.position_px[k])),
        "1" if limb.edited else "0",
        plain(" ".join(profile.flags[k])),
        plain(" ".join(struck)),
    )


def _in_lesion(limb: LimbReading, position_px: float) -> str:
    if not limb.lesion_end_px > limb.lesion_start_px:
        return ""
    return "1" if limb.lesion_start_px <= position_px <= limb.lesion_end_px else "0"
