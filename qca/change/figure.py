"""The diameters along one limb before, after and later, as SVG on one pair of axes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from qca.change.comparison import Comparison
from qca.change.region import Stretch
from qca.change.times import NAMES
from qca.report.diameter_axes import HEIGHT, TOP, WIDTH, Axes, Curve, Stroke, axes_of, band, grid, traced
from qca.report.marker import Marker, marker_svg
from qca.report.palette import INKS, QUIET, Symbol
from qca.report.svg import element, figure, text_element
from qca.sizing.measured import MeasuredLimb

_ZONE = "#eceff1"


@dataclass(frozen=True, slots=True)
class Look:
    """How a time is drawn in every limb's figure: without colour, dashes and symbols tell them apart."""

    dash: str | None
    symbol: Symbol
    own_colour: bool


LOOKS: Mapping[str, Look] = MappingProxyType(
    {
        "before": Look("2 3", "circle", own_colour=False),
        "after": Look(None, "square", own_colour=True),
        "later": Look("9 4", "triangle", own_colour=True),
    }
)
"""Look of each time."""


def colour_of(time: str, limb: str) -> str:
    """Ink of a time: grey before, the limb's own colour from then on."""
    return INKS[limb].colour if LOOKS[time].own_colour else QUIET


def change_axes(comparison: Comparison) -> Axes:
    """Choose axes that hold every limb at every time."""
    return axes_of([_curve(one.limbs[limb]) for one in comparison.readings for limb in one.limbs], "mm")


def change_figure(comparison: Comparison, limb: str, axes: Axes) -> str:
    """Draw the diameters along one limb at all times.

    Parameters
    ----------
    comparison : Comparison
        Two or three readings.
    limb : str
        Limb name.
    axes : Axes
        From `change_axes`.

    Returns
    -------
    str
        An ``svg`` element. The zone is the stented stretch where one was given; symbols are the MLDs.
    """
    stretch = comparison.stents.get(limb)
    parts = [*(_zone(stretch, axes) if stretch else ()), *grid(axes)]
    marks = []
    drawn = [(time, one.limbs[limb]) for time, one in zip(NAMES, comparison.readings, strict=False)]
    for time, measured in drawn:
        curve, look, colour = _curve(measured), LOOKS[time], colour_of(time, limb)
        parts += band(curve, axes, colour)
        parts += traced(curve.position, curve.diameter, axes, Stroke(colour, 2.2, look.dash, time, limb))
        if math.isfinite(measured.mld.value) and math.isfinite(measured.mld_position_mm):
            x, y = float(axes.x(measured.mld_position_mm)), float(axes.y(measured.mld.value))
            marks.append(marker_svg(Marker(x, y, look.symbol, colour, f"mld_{time}", limb, size=5.0)))
    if not any(measured.outline for _, measured in drawn):
        parts.append(text_element(WIDTH / 2, HEIGHT / 2, "no diameter known", text_anchor="middle", halo=True))
    title = (
        f"{INKS[limb].title} limb: diameter in mm against mm from the carina, {', '.join(time for time, _ in drawn)}"
    )
    return figure(WIDTH, HEIGHT, title, *parts, *marks, data_of=limb)


def _curve(limb: MeasuredLimb) -> Curve:
    outline = np.array(limb.outline, dtype=np.float64).reshape(-1, 2)
    sd, reference = np.array(limb.outline_sd, dtype=np.float64), np.array(limb.outline_reference, dtype=np.float64)
    return Curve(outline[:, 0], outline[:, 1], sd, reference)


def _zone(stretch: Stretch, axes: Axes) -> list[str]:
    left = float(axes.x(max(stretch.from_mm, axes.first)))
    right = float(axes.x(min(stretch.to_mm, axes.last)))
    if not right > left:
        return []
    top, bottom = TOP - 8, float(axes.y(0.0))
    box: dict[str, object] = {"x": left, "y": top, "width": right - left, "height": bottom - top}
    return [
        element("rect", {**box, "fill": _ZONE, "data-role": "stent"}),
        text_element(left + 5, bottom - 8, "stent", fill=QUIET, font_size=12.0),
    ]
