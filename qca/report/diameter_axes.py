"""Diameter against position: the axes and curves that the figures of a reading and of a comparison share, as SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.report.marks import runs
from qca.report.measured import COVERAGE_FACTOR
from qca.report.palette import QUIET, RULE
from qca.report.svg import element, path_data, text_element

if TYPE_CHECKING:
    from collections.abc import Sequence

    from qca.reading import Points, Vector

WIDTH, HEIGHT = 860.0, 200.0
LEFT, RIGHT, TOP, BOTTOM = 40.0, 14.0, 34.0, 24.0
"""Size and margins of a figure, canvas units."""
_STEPS = (1.0, 2.0, 5.0)
_TICKS = 5
"""About this many ticks on an axis."""


@dataclass(frozen=True, slots=True)
class Axes:
    """Ranges common to the figures of all limbs, so that they can be compared by eye.

    Parameters
    ----------
    first, last : float
        Positions shown, mm or px.
    top : float
        Largest diameter shown; the smallest is 0.
    unit : str
        ``"mm"`` or ``"px"``.
    """

    first: float
    last: float
    top: float
    unit: str

    def x(self, position: float | Vector) -> Vector:
        """Canvas x of positions."""
        share = (np.asarray(position, dtype=np.float64) - self.first) / (self.last - self.first)
        return np.asarray(LEFT + share * (WIDTH - LEFT - RIGHT))

    def y(self, diameter: float | Vector) -> Vector:
        """Canvas y of diameters."""
        share = np.asarray(diameter, dtype=np.float64) / self.top
        return np.asarray(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM))


@dataclass(frozen=True, slots=True)
class Curve:
    """The arrays of a profile in the unit shown."""

    position: Vector
    diameter: Vector
    sd: Vector
    reference: Vector


@dataclass(frozen=True, slots=True)
class Stroke:
    """How a curve is drawn, and what it says of itself: ``role`` and ``owner`` become ``data-role`` and ``data-of``."""

    colour: str
    width: float
    dash: str | None
    role: str
    owner: str


def axes_of(curves: Sequence[Curve], unit: str) -> Axes:
    """Choose axes that hold curves with their 95 % bands and references.

    Parameters
    ----------
    curves : sequence of Curve
        Any number; unknown places are left out.
    unit : str
        ``"mm"`` or ``"px"``.
    """
    positions = np.concatenate([curve.position for curve in curves] or [np.empty(0)])
    heights = np.concatenate(
        [
            values
            for curve in curves
            for values in (curve.diameter + COVERAGE_FACTOR * np.nan_to_num(curve.sd), curve.reference)
        ]
        or [np.empty(0)]
    )
    positions, heights = positions[np.isfinite(positions)], heights[np.isfinite(heights)]
    first = min(0.0, float(positions.min())) if positions.size else 0.0
    last = float(positions.max()) if positions.size else 1.0
    top = 1.06 * float(heights.max()) if heights.size else 1.0
    return Axes(first, max(last, first + 1e-6), max(top, 1e-6), unit)


def _ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((s * power for s in _STEPS if s * power >= rough), 10 * power)
    return [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def grid(axes: Axes) -> list[str]:
    """Draw lines across at round diameters, and ticks at round positions, as SVG elements."""
    bottom, right = float(axes.y(0.0)), WIDTH - RIGHT
    parts = []
    for tick in _ticks(0.0, axes.top):
        y = float(axes.y(tick))
        line: dict[str, object] = {"x1": LEFT, "x2": right, "y1": y, "y2": y}
        parts.append(element("line", {**line, "stroke": RULE, "stroke-width": 1.0}))
        parts.append(text_element(LEFT - 7, y + 4.5, f"{tick:g}", text_anchor="end", fill=QUIET))
    for tick in _ticks(axes.first, axes.last):
        x = float(axes.x(tick))
        line = {"x1": x, "x2": x, "y1": bottom, "y2": bottom + 5}
        parts.append(element("line", {**line, "stroke": QUIET, "stroke-width": 1.0}))
        parts.append(text_element(x, bottom + 18, f"{tick:g}", text_anchor="middle", fill=QUIET))
    line = {"x1": LEFT, "x2": right, "y1": bottom, "y2": bottom}
    parts.append(element("line", {**line, "stroke": QUIET, "stroke-width": 1.2}))
    return parts


def _canvas(position: Vector, value: Vector, axes: Axes) -> Points:
    return np.column_stack([axes.x(position), axes.y(value)])


def band(curve: Curve, axes: Axes, colour: str) -> list[str]:
    """Shade the 95 % interval at each place; a gap where it is not known."""
    low = np.maximum(curve.diameter - COVERAGE_FACTOR * curve.sd, 0.0)
    high = curve.diameter + COVERAGE_FACTOR * curve.sd
    both = np.column_stack([_canvas(curve.position, low, axes), axes.y(high)])
    return [
        element(
            "path",
            {
                "d": path_data(np.concatenate([piece[:, :2], piece[::-1][:, [0, 2]]]), closed=True),
                "fill": colour,
                "fill-opacity": 0.17,
                "data-role": "band",
            },
        )
        for piece in runs(both)
    ]


def traced(position: Vector, value: Vector, axes: Axes, stroke: Stroke) -> list[str]:
    """Draw ``value`` (N,) against ``position`` (N,); a gap where it is not known."""
    paint: dict[str, object] = {
        "fill": "none",
        "stroke": stroke.colour,
        "stroke-width": stroke.width,
        "stroke-dasharray": stroke.dash,
        "stroke-linejoin": "round",
        "data-role": stroke.role,
        "data-of": stroke.owner,
    }
    return [element("path", {"d": path_data(piece), **paint}) for piece in runs(_canvas(position, value, axes))]
