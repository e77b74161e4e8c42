"""Every number the measurement rests on, with its unit, its reason and its source."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


def _setting(default: float, unit: str, reason: str, source: str = "own choice") -> Any:  # noqa: ANN401
    return field(default=default, metadata={"unit": unit, "reason": reason, "source": source})


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of one measurement; recorded whole in the Reading. A test checks that the README lists each."""

    angle_chord_mm: float = _setting(
        5.0, "mm", "length of the chords between which angles are measured", "common practice, no source"
    )
    angle_chord_px: float = _setting(25.0, "px", "the same without a scale (5 mm at 0.2 mm per px)")
    lesion_edge_fraction: float = _setting(
        0.90, "of the reference", "a lesion ends where the diameter is back at this part of the reference"
    )
    medina_threshold_percent: float = _setting(
        50.0,
        "percent DS",
        "a Medina digit is 1 at or above it; sources differ on the equals sign",
        "Medina A et al., Rev Esp Cardiol 2006;59:183",
    )
    catheter_tolerance: float = _setting(
        0.01,
        "relative SD",
        "spread of true outer diameters around the label or a typed diameter",
        "Reiber JHC et al., Cathet Cardiovasc Diagn 1994;33:153 (0.02-0.03 mm, about 1 %)",
    )
    small_catheter_french: float = _setting(
        6.0, "F", "below it the shaft is too thin for a dependable scale: warned", "common practice, no source"
    )
    catheter_depth_sd_mm: float = _setting(
        0.0, "mm", "SD of the depth between catheter and vessel; widens the scale by 1.4 % per cm", "facts of geometry"
    )
    pick_radius_px: float = _setting(6.0, "px", "a pick is drawn to the best ridge within this distance")
    trace_margin_mm: float = _setting(12.0, "mm", "how far beyond the picks a path may wander")
    min_limb_length_px: float = _setting(12.0, "px", "a limb with less visible length is refused")


DEFAULT_SETTINGS = Settings()
