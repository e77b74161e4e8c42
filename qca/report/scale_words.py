"""The scale of a reading and where it came from, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from qca.report.plain import plain, plain_title, plain_value

if TYPE_CHECKING:
    from qca.reading import Reading

NO_SCALE = (
    "There is no scale: every length is in stored pixels, not in millimetres. Percentages and angles do not need one."
)
NO_SCALE_ADVICE = (
    "To get millimetres, mark two points along the catheter's shaft and give its outer diameter, and measure again."
)


def scale_text(reading: Reading) -> str:
    """Write the scale in one line: value, SD, relative SD and source."""
    scale = reading.scale
    if scale is None:
        return "none: lengths are in stored pixels"
    if math.isfinite(scale.sd_mm_per_px):
        spread = f" ± {scale.sd_mm_per_px:.4f} mm per px ({100 * scale.relative_sd:.1f} %)"
    else:
        spread = " mm per px (SD not known)"
    return f"{scale.mm_per_px:.4f}{spread}, from {plain(scale.source)}"


def scale_rows(reading: Reading) -> list[tuple[str, str]]:
    """Rows about the scale's raw values, as the scale lists them; empty without a scale."""
    if reading.scale is None:
        return []
    return [(plain_title(str(key)), plain_value(value)) for key, value in reading.scale.detail.items()]
