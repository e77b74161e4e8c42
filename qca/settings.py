"""Every number the measurement rests on, with its unit, its range, its reason and its source."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any


def _setting(default: float, unit: str, between: tuple[float, float], reason: str, source: str = "own choice") -> Any:  # noqa: ANN401
    return field(default=default, metadata={"unit": unit, "range": between, "reason": reason, "source": source})


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of one measurement; recorded whole in the Reading. A test checks that the README lists each.

    Raises
    ------
    ValueError
        If a value lies outside its range, which is where the measurement still makes sense; names it.
    """

    angle_chord_mm: float = _setting(
        5.0, "mm", (1.0, 30.0), "length of the chords between which angles are measured", "common practice, no source"
    )
    angle_chord_px: float = _setting(25.0, "px", (5.0, 300.0), "the same without a scale (5 mm at 0.2 mm per px)")
    lesion_edge_fraction: float = _setting(
        0.90, "of the reference", (0.5, 0.99), "a lesion ends where the diameter is back at this part of the reference"
    )
    medina_threshold_percent: float = _setting(
        50.0,
        "percent DS",
        (1.0, 99.0),
        "a Medina digit is 1 at or above it; sources differ on the equals sign",
        "Medina A et al., Rev Esp Cardiol 2006;59:183",
    )
    catheter_tolerance: float = _setting(
        0.01,
        "relative SD",
        (0.0, 0.3),
        "spread of true outer diameters around the label or a typed diameter",
        "Reiber JHC et al., Cathet Cardiovasc Diagn 1994;33:153 (0.02-0.03 mm, about 1 %)",
    )
    small_catheter_french: float = _setting(
        6.0,
        "F",
        (2.0, 14.0),
        "below it the shaft is too thin for a dependable scale: warned",
        "common practice, no source",
    )
    catheter_depth_sd_mm: float = _setting(
        0.0,
        "mm",
        (0.0, 200.0),
        "SD of the depth between catheter and vessel; widens the scale by 1.4 % per cm",
        "facts of geometry",
    )
    pick_radius_px: float = _setting(
        6.0,
        "px",
        (1.0, 50.0),
        "a pick is drawn to the best ridge within this distance, and from a lumen's wall to its axis",
    )
    trace_margin_px: float = _setting(
        40.0,
        "px",
        (10.0, 4096.0),
        "how far beyond the picks a path may wander; a quarter of their extent where that is more",
    )
    min_limb_length_px: float = _setting(
        12.0,
        "px",
        (6.0, 1000.0),
        "a limb is refused when its pick is nearer to the branching point, a catheter when its points are nearer to "
        "each other than twice this",
    )

    def __post_init__(self) -> None:
        """Refuse values that no measurement can be made with."""
        for item in fields(self):
            value, (low, high) = getattr(self, item.name), item.metadata["range"]
            if not (math.isfinite(value) and low <= value <= high):
                msg = f"{item.name} is {value:g}: it can be {low:g} to {high:g} ({item.metadata['unit']})"
                raise ValueError(msg)


DEFAULT_SETTINGS = Settings()
