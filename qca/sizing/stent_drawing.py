"""The stents and strut layers of a technique, drawn to scale in the measured bifurcation."""

from __future__ import annotations

import math
from dataclasses import dataclass

from qca.report.palette import ALARM, TEXT
from qca.sizing.canvas import Canvas, vessel
from qca.sizing.layout import CRUSHED_LAYERS, StentSpan
from qca.sizing.sketch import Point, Sketch, sketch
from qca.sizing.techniques import TechniqueAnswer
from qca.sizing.wording import number_text
from qca.sizing.worksheet import Worksheet

STENT_COLOURS = {"main_stent": TEXT, "side_stent": "#00795e"}
STENT_DASHES = {"main_stent": None, "side_stent": "3.4 1.5"}
"""Main stent solid, side stent dotted: told apart without colour."""
_STRUT_MM = 0.26
"""Drawn thickness of one layer; real struts are thinner, and the caption says so."""
_LAYER_STEP_MM = 0.44
_CUT_MM = {"proximal": 11.0, "distal": 6.5, "side": 6.5}
"""Technique drawings show this much of each limb; longer stents run out of the picture, their lengths stand below."""
_LABELS_MM = 3.6
"""Room above the proximal vessel's axis, so that all technique drawings have one size."""


_TEXT_SIZE = 11.5
"""Canvas units."""
_WIDTH = 112.0
"""Canvas units. Printed 25 mm wide, a seventh of a page, the type of a drawing of this size has 7 points."""


def technique_drawing(sheet: Worksheet, result: TechniqueAnswer) -> str:
    """Draw the stents of a technique with their strut layers, at the same scale for all techniques of a worksheet.

    Returns
    -------
    str
        An ``svg`` element. Diameters, lengths and angles are to scale, the thickness of the struts is not. The main
        vessel has its measured bend, so a bare ostium or a new carina can look shorter than the rule's number, which
        takes one straight wall.
    """
    plane = sketch(sheet.facts.measured)
    canvas = Canvas(drawing_zoom(plane))
    parts = vessel(canvas, plane, _CUT_MM)
    laid = _Laid()
    for span in result.spans:
        parts += _stent(canvas, plane, span, laid)
        laid = _laid_after(laid, span)
    parts += _layer_labels(canvas, plane, result)
    low = plane.limbs["side"].at(_CUT_MM["side"], plane.limbs["side"].radius)
    canvas.points([(low[0], low[1]), plane.limbs["proximal"].at(_CUT_MM["proximal"], -_LABELS_MM)])
    return canvas.finish(f"Stents and strut layers: {result.technique.name}", parts, 2.0)


def drawing_zoom(plane: Sketch) -> float:
    """Canvas units per mm at which the vessel is as wide as a technique's drawing."""
    millimetres = Canvas(1.0)
    vessel(millimetres, plane, _CUT_MM)
    return _WIDTH / millimetres.extent()[0]


@dataclass(frozen=True, slots=True)
class _Laid:
    """What lies on the proximal walls already: up to which position, and how many layers on either wall."""

    until_mm: float = 0.0
    branch_wall: int = 0
    other_wall: int = 0

    def beneath(self, sign: float) -> int:
        """Layers on one wall; positive: the wall on the side of the side branch."""
        return self.branch_wall if sign > 0 else self.other_wall


def _laid_after(laid: _Laid, span: StentSpan) -> _Laid:
    if span.proximal.value <= 0 or span.shape == "standing":
        return laid
    branch, other = (CRUSHED_LAYERS, 0) if span.shape == "crushed" else (1, 1)
    return _Laid(max(laid.until_mm, span.proximal.value), laid.branch_wall + branch, laid.other_wall + other)


def _stent(canvas: Canvas, plane: Sketch, span: StentSpan, laid: _Laid) -> list[str]:
    """Draw one stent as its two walls; where earlier stents lie it runs inside them."""
    end, reach = min(span.daughter.value, _CUT_MM[span.limb]), min(span.proximal.value, _CUT_MM["proximal"])
    if not (math.isfinite(end) and math.isfinite(reach)):
        return []
    half = _STRUT_MM / 2.0
    style: dict[str, object] = {
        "stroke": STENT_COLOURS[span.role],
        "stroke_width": _STRUT_MM * canvas.zoom,
        "stroke_dasharray": STENT_DASHES[span.role],
        "stroke_linejoin": "round",
    }
    daughter = plane.limbs[span.limb]
    # The outer wall runs from the proximal wall around the shoulder, the inner wall begins at the carina.
    outer, shoulder, opposite = (1, plane.side_shoulder, plane.distal_shoulder) if span.limb == "side" else (
        -1, plane.distal_shoulder, plane.side_shoulder)  # fmt: skip
    radius = daughter.radius - half
    # A T stent begins at the deeper edge of the mouth, with nothing in the main vessel.
    begin = max(0.0, plane.shoulder_position(span.limb)) if span.shape == "tube" and reach <= 0 else 0.0
    outer_daughter = [daughter.at(begin, outer * radius), daughter.at(end, outer * radius)]
    inner_daughter = [daughter.at(begin, -outer * radius), daughter.at(end, -outer * radius)]
    parts = [canvas.line(inner_daughter, **style)]
    if span.shape == "tube" and reach > 0:
        outer_line = _proximal_line(plane, shoulder, reach, laid)
        other_line = _proximal_line(plane, opposite, reach, laid)
        open_cell = {**style, "stroke_dasharray": "0.8 2.4", "stroke_opacity": 0.8}
        return [
            *parts,
            canvas.line([*outer_line, *outer_daughter], **style),
            canvas.line(other_line, **style),
            canvas.line([other_line[-1], inner_daughter[0]], **open_cell),
        ]
    if span.shape == "tube":
        return [*parts, canvas.line(outer_daughter, **style)]
    turn = (shoulder[0], shoulder[1] - half)
    parts.append(canvas.line([turn, *outer_daughter], **style))
    if span.shape == "standing":
        # The stent's end is cut square: it covers the shoulder, so its other wall stands as far before the carina.
        free = max(0.0, -plane.shoulder_position(span.limb))
        parts.append(canvas.line([daughter.at(-free, -radius), daughter.at(0.0, -radius)], **style))
        return parts
    flat = reach - span.proximal_from_mm
    for layer in range(CRUSHED_LAYERS):
        deep = shoulder[1] - half - layer * _LAYER_STEP_MM
        parts.append(canvas.line([(shoulder[0] - flat, deep), (shoulder[0], deep)], **style))
    return parts


def _proximal_line(plane: Sketch, corner: Point, reach: float, laid: _Laid) -> list[Point]:
    """Run along one proximal wall from the stent's end to the shoulder, inside whatever lies there already."""
    proximal = plane.limbs["proximal"]
    sign = math.copysign(1.0, corner[1])
    half = _STRUT_MM / 2.0
    wall = sign * (proximal.radius - half)
    inside = sign * (proximal.radius - half - laid.beneath(sign) * _LAYER_STEP_MM)
    if wall == inside or reach <= laid.until_mm:
        return [proximal.at(reach, inside), (corner[0], inside)]
    return [
        proximal.at(reach, wall),
        proximal.at(min(reach, laid.until_mm + 0.5), wall),
        proximal.at(laid.until_mm, inside),
        (corner[0], inside),
    ]


def _layer_labels(canvas: Canvas, plane: Sketch, result: TechniqueAnswer) -> list[str]:
    """Write how many layers lie where, what stays bare and what stands free."""
    parts = []
    proximal = plane.limbs["proximal"]
    left = _CUT_MM["proximal"]
    top = proximal.at(left, -proximal.radius - 0.5)
    most = [segment for segment in result.struts["proximal"] if segment.layers == result.layers]
    if most:
        words = f"{result.layers} layer{'s' if result.layers > 1 else ''}"
        parts.append(canvas.text(top[0], top[1], words, size=_TEXT_SIZE))
    side = plane.limbs["side"]
    place_of = {"t": ("t_bare_length", "bare"), "t_and_protrusion": ("new_carina_length", "new carina")}
    if result.technique.id in place_of:
        rule_id, word = place_of[result.technique.id]
        one = next(judged for judged, _ in result.rules if judged.rule.id == rule_id)
        for line, words in enumerate((word, number_text(one.value, one.sd, "mm", 1))):
            x, y = proximal.at(left, proximal.radius + 0.4 + 1.1 * (1 + line) * _TEXT_SIZE / canvas.zoom)
            parts.append(canvas.text(x, y, words, size=_TEXT_SIZE, fill=ALARM if word == "bare" else TEXT))
        if word == "bare":
            shoulder = plane.shoulder_position("side")
            away = [plane.side_shoulder, side.at(0.0, side.radius)]
            gap = away if shoulder <= 0 else [plane.carina, side.at(shoulder, -side.radius)]
            parts.append(canvas.line(gap, stroke=ALARM, stroke_width=2.6))
    return parts
