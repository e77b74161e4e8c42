"""Diameter stenosis of each limb with its 95 % interval against the Medina threshold, as SVG."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from qca.report.digits import Digit, digits
from qca.report.marker import Marker, marker_svg
from qca.report.palette import INKS, QUIET, RULE, TEXT
from qca.report.svg import element, figure, text_element

if TYPE_CHECKING:
    from qca.reading import Reading

_WIDTH = 380.0
_LEFT, _RIGHT, _TOP, _ROW = 78.0, 18.0, 26.0, 38.0


def threshold_figure(reading: Reading) -> str:
    """Draw one row for each digit; ``""`` without a Medina code.

    Returns
    -------
    str
        An ``svg`` element; a limb whose stenosis is unknown has an empty row that says so.
    """
    rows = digits(reading)
    if not rows or reading.medina is None:
        return ""
    threshold = reading.medina.threshold_percent
    bottom = _TOP + _ROW * len(rows)
    x = _x(threshold)
    parts = []
    for tick in (0, 25, 50, 75, 100):
        line: dict[str, object] = {"x1": _x(tick), "x2": _x(tick), "y1": _TOP, "y2": bottom}
        parts.append(element("line", {**line, "stroke": RULE, "stroke-width": 1.0}))
        parts.append(text_element(_x(tick), bottom + 17, f"{tick}", text_anchor="middle", fill=QUIET))
    line = {"x1": x, "x2": x, "y1": _TOP - 6, "y2": bottom}
    parts.append(element("line", {**line, "stroke": TEXT, "stroke-width": 1.8}))
    parts.append(text_element(x, _TOP - 11, f"1 from {threshold:g} %", text_anchor="middle"))
    for number, row in enumerate(rows):
        parts += _row(row, _TOP + _ROW * (number + 0.5))
    parts.append(text_element(_WIDTH - _RIGHT, bottom + 34, "diameter stenosis, %", text_anchor="end", fill=QUIET))
    return figure(_WIDTH, bottom + 42, "Diameter stenosis of each limb against the Medina threshold", *parts)


def _row(row: Digit, y: float) -> list[str]:
    ink = INKS[row.limb]
    parts = [
        text_element(_LEFT - 10, y + 4.5, row.title, text_anchor="end", font_weight="600", fill=ink.colour),
    ]
    if not row.ds.known:
        return [*parts, text_element(_x(2), y + 4.5, "not known", fill=QUIET)]
    low, high = row.ds.interval
    if math.isfinite(low) and math.isfinite(high):
        span: dict[str, object] = {"x1": _x(low), "x2": _x(high), "y1": y, "y2": y}
        parts.append(
            element(
                "line", {**span, "stroke": ink.colour, "stroke-width": 5.0, "stroke-opacity": 0.45, "data-of": row.limb}
            )
        )
    parts.append(marker_svg(Marker(_x(row.ds.value), y, ink.marker, ink.colour, "ds", row.limb, size=5.0)))
    return parts


def _x(percent: float) -> float:
    return _LEFT + min(max(percent, 0.0), 100.0) / 100.0 * (_WIDTH - _LEFT - _RIGHT)
