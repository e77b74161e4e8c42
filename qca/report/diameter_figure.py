"""The diameter along one limb as SVG: profile with its 95 % band, reference, lesion limits, MLD."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from qca.report.diameter_axes import (
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    Axes,
    Curve,
    Stroke,
    axes_of,
    band,
    grid,
    traced,
)
from qca.report.marker import Marker, marker_svg
from qca.report.palette import INKS, QUIET, TEXT
from qca.report.quantities import BY_KEY, in_millimetres
from qca.report.remarks import Remark, doubts
from qca.report.scene import text_width
from qca.report.svg import element, figure, text_element

if TYPE_CHECKING:
    from qca.reading import LimbReading, Profile, Reading


def curve_of(profile: Profile, *, in_mm: bool) -> Curve:
    """Take the profile in millimetres or in pixels."""
    if in_mm:
        return Curve(profile.position_mm, profile.diameter_mm, profile.diameter_sd_mm, profile.reference_mm)
    return Curve(profile.position_px, profile.diameter_px, profile.diameter_sd_px, profile.reference_px)


def common_axes(reading: Reading) -> Axes:
    """Choose axes that hold the profiles of all limbs with their bands."""
    in_mm = in_millimetres(reading)
    curves = [curve_of(limb.profile, in_mm=in_mm) for limb in reading.limbs.values()]
    return axes_of(curves, "mm" if in_mm else "px")


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
    parts = [*_lesion_zone(limb, axes, in_mm=in_mm), *grid(axes)]
    parts += band(curve, axes, ink.colour)
    parts += _flagged(limb.profile, curve, axes)
    parts += traced(curve.position, curve.reference, axes, Stroke(QUIET, 1.4, "2 4", "reference", name))
    dash = " ".join(f"{d:g}" for d in ink.dash) or None
    parts += traced(curve.position, curve.diameter, axes, Stroke(ink.colour, 2.2, dash, "diameter", name))
    if not np.isfinite(curve.diameter).any():
        middle = (LEFT + WIDTH - RIGHT) / 2
        parts.append(text_element(middle, HEIGHT / 2, "no diameter known", text_anchor="middle", halo=True))
    parts += _narrowest(limb, name, axes, found, in_mm=in_mm)
    heading = f"{ink.title} (edited by hand)" if limb.edited else ink.title
    origin = "start of the segment" if name == "segment" else "carina"
    explained = f"diameter in {axes.unit}, against {axes.unit} from the {origin}"
    parts.append(text_element(LEFT, 15.0, heading, font_weight="600", fill=ink.colour, font_size=15.0))
    parts.append(text_element(WIDTH - RIGHT, 15.0, explained, text_anchor="end", fill=QUIET))
    return figure(WIDTH, HEIGHT, f"{ink.title} limb: diameter along the limb", *parts, data_of=name)


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
    limits = _zone_limits(limb, axes, in_mm=in_mm)
    if not limits:
        return []
    left, right = limits
    top, bottom = TOP - 8, float(axes.y(0.0))
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
    limits = _zone_limits(limb, axes, in_mm=in_mm)
    if not limits:
        return math.nan
    left, right = limits
    label = text_width("lesion") + 10
    place = BY_KEY["mld_position"].of(limb, in_mm=in_mm).value
    narrowest = float(axes.x(place)) if math.isfinite(place) else left
    if left + label < min(right, narrowest):
        return left + 5
    if narrowest < right - label:
        return right - label
    return left - label if right + label > WIDTH else right + 5


def _narrowest(limb: LimbReading, name: str, axes: Axes, found: tuple[Remark, ...], *, in_mm: bool) -> list[str]:
    number, place = BY_KEY["mld"].of(limb, in_mm=in_mm), BY_KEY["mld_position"].of(limb, in_mm=in_mm)
    if not (number.known and place.known):
        return []
    x, y = float(axes.x(place.value)), float(axes.y(number.value))
    ink = INKS[name]
    text = f"MLD {number.text}"
    if doubts(found, BY_KEY["mld"], name, in_mm=in_mm):
        text += ", not reliable"
    label_x, anchor = _beside(x, text_width(text, bold=True), _zone_limits(limb, axes, in_mm=in_mm))
    # Under the point, where the curve is not; above the word for the lesion where both lie on one side of it.
    same_side = (_lesion_word_x(limb, axes, in_mm=in_mm) > x) == (anchor == "start")
    label = text_element(
        label_x,
        min(y + 19, float(axes.y(0.0)) - (24 if same_side else 7)),
        text,
        text_anchor=anchor,
        font_weight="600",
        halo=True,
    )
    drop: dict[str, object] = {"x1": x, "x2": x, "y1": y, "y2": float(axes.y(0.0))}
    return [
        element("line", {**drop, "stroke": ink.colour, "stroke-width": 1.2}),
        marker_svg(Marker(x, y, ink.marker, ink.colour, "mld", name, size=5.0)),
        label,
    ]


def _zone_limits(limb: LimbReading, axes: Axes, *, in_mm: bool) -> tuple[float, float] | tuple[()]:
    """Canvas x of the lesion's two limits; none without a lesion."""
    start, end = (BY_KEY[key].of(limb, in_mm=in_mm).value for key in ("lesion_start", "lesion_end"))
    return (float(axes.x(start)), float(axes.x(end))) if end > start else ()


def _beside(x: float, width: float, limits: tuple[float, float] | tuple[()]) -> tuple[float, str]:
    """Where a label begins or ends: beside its point without a limit in it, else beyond the lesion; and its anchor."""
    rights, lefts = [x + 10], [x - 10]
    if limits:
        rights.append(max(x + 10, limits[1] + 6))
        lefts.append(min(x - 10, limits[0] - 6))
    places = [place for pair in zip(rights, lefts, strict=True) for place in zip(pair, ("start", "end"), strict=True)]
    within = [
        (place, anchor)
        for place, anchor in places
        if (place + width < WIDTH - RIGHT if anchor == "start" else place - width > LEFT)
    ]
    for place, anchor in within:
        low, high = (place, place + width) if anchor == "start" else (place - width, place)
        if not any(low - 3 < limit < high + 3 for limit in limits):
            return place, anchor
    return (within or places)[0]
