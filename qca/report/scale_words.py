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
    return f"{scale.mm_per_px:.4f}{spread}, {source_text(scale.source)}"


def source_text(source: str) -> str:
    """Say where a scale comes from, as the end of a sentence."""
    if source in _SOURCES:
        return _SOURCES[source]
    kind, colon, rest = plain(source).partition(": ")
    return f"from the {kind} ({rest})" if colon and kind == "header" else f"from {plain(source)}"


_SOURCES = {"catheter": "from the catheter", "typed in": "typed in", "grid": "from a grid of known pitch"}
FEATURES = {"outer_wall": "outer diameter of the shaft", "filled_lumen": "inner diameter of the contrast-filled lumen"}


def scale_rows(reading: Reading) -> list[tuple[str, str]]:
    """Rows about what the scale rests on; empty without a scale.

    What a scale from a catheter lists is put into words; anything else is shown under its own name.
    """
    if reading.scale is None:
        return []
    left = dict(reading.scale.detail)
    rows = _catheter_rows(left, reading.scale.mm_per_px) if left.keys() >= _CATHETER_KEYS else []
    rows += [(_TITLES.get(str(key), plain_title(str(key))), plain_value(value)) for key, value in left.items()]
    return rows


_CATHETER_KEYS = frozenset({"catheter_mm", "feature", "width_px", "width_sd_px", "shaft_length_px"})
_TITLES = {"sd_given": "SD given"}


def _catheter_rows(left: dict[str, object], mm_per_px: float) -> list[tuple[str, str]]:
    """Take what a catheter's scale lists out of ``left`` and put it into words, lengths as short as their SDs allow."""

    def take(key: str) -> float:
        value = left.pop(key, None)
        return float(value) if isinstance(value, int | float) else math.nan

    french, size_mm = take("french"), take("catheter_mm")
    label = f"{french:g} F, taken as " if math.isfinite(french) else ""
    width, width_sd, length = take("width_px"), take("width_sd_px"), take("shaft_length_px")
    rows = [
        ("Catheter", f"{label}{size_mm:.2f} mm"),
        ("The size is", plain(FEATURES.get(str(left.get("feature")), left.get("feature")))),
        ("Width on the frame", f"{width:.2f} ± {width_sd:.2f} px"),
        ("Shaft measured", f"{length:.0f} px, {length * mm_per_px:.0f} mm"),
    ]
    left.pop("feature", None)
    spread, expected, taper = take("width_spread_px"), take("width_spread_expected_px"), take("taper")
    if math.isfinite(spread):
        rows.append(("SD of the width along the shaft", f"{spread:.2f} px, {expected:.2f} px expected from noise"))
    if math.isfinite(taper):
        rows.append(("Change of the width, end to end", f"{100 * taper:+.1f} %"))
    if isinstance(left.get("contrast_filled"), bool):
        rows.append(("The shaft is", "filled with contrast" if left.pop("contrast_filled") else "not filled"))
    tolerance = take("size_tolerance")
    if math.isfinite(tolerance):
        rows.append(("SD of true sizes around the label", f"{100 * tolerance:g} %"))
    header, difference = take("header_mm_per_px"), take("header_difference")
    if math.isfinite(header):
        source = source_text(str(left.pop("header_source", "header")))
        more = "more" if difference > 0 else "less"
        apart = f"; the catheter gives {100 * abs(difference):.1f} % {more}" if math.isfinite(difference) else ""
        rows.append(("The header would give", f"{header:.4f} mm per px, {source}{apart}"))
    return rows
