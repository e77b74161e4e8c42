"""The diameter along one limb as SVG: profile with its 95 % band, reference, lesion limits, MLD."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.report.marks import runs
from qca.report.measured import COVERAGE_FACTOR
from qca.report.palette import INKS, QUIET, RULE, TEXT
from qca.report.quantities import BY_KEY, in_millimetres
from qca.report.remarks import Remark, doubts
from qca.report.scene import Marker, text_width
from qca.report.scene_svg import marker_svg
from qca.report.svg import element, figure, path_data, text_element

if TYPE_CHECKING:
    from qca.reading import LimbReading, Points, Profile, Reading, Vector

_WIDTH, _HEIGHT = 860.0, 200.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 14.0, 34.0, 24.0
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
        return np.asarray(_LEFT + share * (_WIDTH - _LEFT - _RIGHT))

    def y(self, diameter: float | Vector) -> Vector:
        """Canvas y of diameters."""
        share = np.asarray(diameter, dtype=np.float64) / self.top
        return np.asarray(_HEIGHT - _BOTTOM - share * (_HEIGHT - _TOP - _BOTTOM))


@dataclass(frozen=True, slots=True)
class Curve:
    """The arrays of a profile in the unit shown."""

    position: Vector
    diameter: Vector
    sd: Vector
    reference: Vector


def curve_of(profile: Profile, *, in_mm: bool) -> Curve:
    """Take the profile in millimetres or in pixels."""
    if in_mm:
        return Curve(profile.position_mm, profile.diameter_mm, profile.diameter_sd_mm, profile.reference_mm)
    return Curve(profile.position_px, profile.diameter_px, profile.diameter_sd_px, profile.reference_px)


def common_axes(reading: Reading) -> Axes:
    """Choose axes that hold the profiles of all limbs with their bands."""
    in_mm = in_millimetres(reading)
    curves = [curve_of(limb.profile, in_mm=in_mm) for limb in reading.limbs.values()]
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
    return Axes(first, max(last, first + 1e-6), max(top, 1e-6), "mm" if in_mm else "px")


def diameter_figure(reading: Reading, name: str, axes: Axes, found: tuple[Remark, ...]) -> str:
    """Draw the diameter along one limb.

    Parameters
    ----------
    reading : Reading
        The reading.
    name : str
        Limb name.
    axes : Axes
        From ``common_axes``.
    found : tuple of Remark
        Remarks of the reading; a number that cannot be trusted says so.

    Returns
    -------
    str
        An ``svg`` element. Gaps are positions without a diameter.
    """
    limb, ink, in_mm = reading.limbs[name], INKS[name], axes.unit == "mm"
    curve = curve_of(limb.profile, in_mm=in_mm)
    parts = [*_lesion_zone(limb, axes, in_mm=in_mm), *_grid(axes)]
    parts += _band(curve, axes, ink.colour)
    parts += _flagged(limb.profile, curve, axes)
    parts += _traced(curve.position, curve.reference, axes, QUIET, 1.4, "2 4", "reference", name)
    dash = " ".join(f"{d:g}" for d in ink.dash) or None
    parts += _traced(curve.position, curve.diameter, axes, ink.colour, 2.2, dash, "diameter", name)
    if not np.isfinite(curve.diameter).any():
        middle = (_LEFT + _WIDTH - _RIGHT) / 2
        parts.append(text_element(middle, _HEIGHT / 2, "no diameter known", text_anchor="middle", halo=True))
    parts += _narrowest(limb, name, axes, found, in_mm=in_mm)
    heading = f"{ink.title} (edited by hand)" if limb.edited else ink.title
    origin = "start of the segment" if name == "segment" else "carina"
    explained = f"diameter in {axes.unit}, against {axes.unit} from the {origin}"
    parts.append(text_element(_LEFT, 15.0, heading, font_weight="600", fill=ink.colour, font_size=15.0))
    parts.append(text_element(_WIDTH - _RIGHT, 15.0, explained, text_anchor="end", fill=QUIET))
    return figure(_WIDTH, _HEIGHT, f"{ink.title} limb: diameter along the limb", *parts, data_of=name)


def _ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((s * power for s in _STEPS if s * power >= rough), 10 * power)
    return [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def _grid(axes: Axes) -> list[str]:
    bottom, right = float(axes.y(0.0)), _WIDTH - _RIGHT
    parts = []
    for tick in _ticks(0.0, axes.top):
        y = float(axes.y(tick))
        line: dict[str, object] = {"x1": _LEFT, "x2": right, "y1": y, "y2": y}
        parts.append(element("line", {**line, "stroke": RULE, "stroke-width": 1.0}))
        parts.append(text_element(_LEFT - 7, y + 4.5, f"{tick:g}", text_anchor="end", fill=QUIET))
    for tick in _ticks(axes.first, axes.last):
        x = float(axes.x(tick))
        line = {"x1": x, "x2": x, "y1": bottom, "y2": bottom + 5}
        parts.append(element("line", {**line, "stroke": QUIET, "stroke-width": 1.0}))
        parts.append(text_element(x, bottom + 18, f"{tick:g}", text_anchor="middle", fill=QUIET))
    line = {"x1": _LEFT, "x2": right, "y1": bottom, "y2": bottom}
    parts.append(element("line", {**line, "stroke": QUIET, "stroke-width": 1.2}))
    return parts


def _canvas(position: Vector, value: Vector, axes: Axes) -> Points:
    return np.column_stack([axes.x(position), axes.y(value)])


def _band(curve: Curve, axes: Axes, colour: str) -> list[str]:
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


def _traced(
    position: Vector, value: Vector, axes: Axes, colour: str, width: float, dash: str | None, role: str, owner: str
) -> list[str]:
    paint: dict[str, object] = {
        "fill": "none",
        "stroke": colour,
        "stroke-width": width,
        "stroke-dasharray": dash,
        "stroke-linejoin": "round",
        "data-role": role,
        "data-of": owner,
    }
    return [element("path", {"d": path_data(piece), **paint}) for piece in runs(_canvas(position, value, axes))]


def _flagged(profile: Profile, curve: Curve, axes: Axes) -> list[str]:
    """Short ticks on the axis under every position that carries a flag."""
    bottom = float(axes.y(0.0))
    marks = [
        f"M{float(axes.x(curve.position[k])):.1f},{bottom:.1f}v-6"
        for k in range(len(curve.position))
        if profile.flags[k] and np.isfinite(curve.position[k])
    ]
    if not marks:
        return []
    paint: dict[str, object] = {"stroke": TEXT, "stroke-width": 1.6, "data-role": "flagged"}
    return [element("path", {"d": "".join(marks), **paint})]


def _lesion_zone(limb: LimbReading, axes: Axes, *, in_mm: bool) -> list[str]:
    start, end = (BY_KEY[key].of(limb, in_mm=in_mm).value for key in ("lesion_start", "lesion_end"))
    if not end > start:
        return []
    left, right = float(axes.x(start)), float(axes.x(end))
    top, bottom = _TOP - 8, float(axes.y(0.0))
    box: dict[str, object] = {"x": left, "y": top, "width": max(right - left, 0.0), "height": bottom - top}
    parts = [element("rect", {**box, "fill": "#eceff1", "data-role": "lesion"})]
    for x in (left, right):
        line: dict[str, object] = {"x1": x, "x2": x, "y1": top, "y2": bottom}
        parts.append(element("line", {**line, "stroke": QUIET, "stroke-width": 1.0}))
    x = _lesion_word_x(limb, axes, in_mm=in_mm)
    parts.append(text_element(x, bottom - 8, "lesion", fill=QUIET, font_size=12.0))
    return parts


def _lesion_word_x(limb: LimbReading, axes: Axes, *, in_mm: bool) -> float:
    """Where the word for the lesion begins: in its zone where it fits beside the MLD, else beside the zone; or NaN."""
    start, end = (BY_KEY[key].of(limb, in_mm=in_mm).value for key in ("lesion_start", "lesion_end"))
    if not end > start:
        return math.nan
    left, right = float(axes.x(start)), float(axes.x(end))
    label = text_width("lesion") + 10
    place = BY_KEY["mld_position"].of(limb, in_mm=in_mm).value
    narrowest = float(axes.x(place)) if math.isfinite(place) else left
    if left + label < min(right, narrowest):
        return left + 5
    if narrowest < right - label:
        return right - label
    return left - label if right + label > _WIDTH else right + 5


def _narrowest(limb: LimbReading, name: str, axes: Axes, found: tuple[Remark, ...], *, in_mm: bool) -> list[str]:
    number, place = BY_KEY["mld"].of(limb, in_mm=in_mm), BY_KEY["mld_position"].of(limb, in_mm=in_mm)
    if not (number.known and place.known):
        return []
    x, y = float(axes.x(place.value)), float(axes.y(number.value))
    ink = INKS[name]
    text = f"MLD {number.text}"
    if doubts(found, BY_KEY["mld"], name, in_mm=in_mm):
        text += ", not reliable"
    right_side = x + 12 + text_width(text, bold=True) < _WIDTH - _RIGHT
    # Under the point, where the curve is not; above the word for the lesion where both lie on one side of it.
    same_side = (_lesion_word_x(limb, axes, in_mm=in_mm) > x) == right_side
    label = text_element(
        x + 10 if right_side else x - 10,
        min(y + 19, float(axes.y(0.0)) - (24 if same_side else 7)),
        text,
        text_anchor="start" if right_side else "end",
        font_weight="600",
        halo=True,
    )
    drop: dict[str, object] = {"x1": x, "x2": x, "y1": y, "y2": float(axes.y(0.0))}
    return [
        element("line", {**drop, "stroke": ink.colour, "stroke-width": 1.2}),
        marker_svg(Marker(x, y, ink.marker, ink.colour, "mld", name, size=5.0)),
        label,
    ]
