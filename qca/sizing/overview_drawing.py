"""The measured bifurcation to scale: reference tubes, measured lumen, lesions, diameters, angles."""

from __future__ import annotations

import math
from collections.abc import Mapping

from qca.report.palette import INKS, QUIET, TEXT
from qca.sizing.canvas import Canvas, vessel
from qca.sizing.sketch import Point, Sketch, sketch
from qca.sizing.wording import number_text
from qca.sizing.worksheet import Worksheet

LUMEN = "#c4ced6"
_SHOWN_BEYOND_MM = 3.0
_SCALE_BAR_MM = 5.0
_TITLE_SIZE, _TEXT_SIZE = 19.0, 18.0
"""Canvas units."""
_WIDEST, _TALLEST = 650.0, 450.0
"""Canvas units. Printed half a page wide (92 mm) and 64 mm high, the type of a drawing of this size has 7 points."""
_ZOOMS = tuple(range(15, 7, -1))
"""Canvas units per mm, tried from the largest."""


def overview(sheet: Worksheet) -> str:
    """Draw the measured bifurcation: references as tubes, measured lumen inside, limits, diameters, angles, scale bar.

    Parameters
    ----------
    sheet : Worksheet
        The worksheet.

    Returns
    -------
    str
        An ``svg`` element. The limbs are drawn straight under the measured angles, lengths as seen in the view; long
        ones smaller, so that the type stays legible on paper.
    """
    for zoom in _ZOOMS:
        canvas = Canvas(float(zoom))
        parts = _drawn(sheet, canvas)
        width, height = canvas.extent()
        if width <= _WIDEST and height <= _TALLEST:
            break
    return canvas.finish("The measured bifurcation, to scale", parts)


def _drawn(sheet: Worksheet, canvas: Canvas) -> list[str]:
    measured = sheet.facts.measured
    plane = sketch(measured)
    reach = {name: _reach(sheet, name) for name in plane.limbs}
    parts = [*vessel(canvas, plane, reach), *_lumen(canvas, plane, sheet, reach), *_angles(canvas, plane, sheet)]
    for name in ("distal", "side"):
        tube = plane.limbs[name]
        for position in range(int(reach[name]) + 1):
            canvas.keep_clear(*tube.at(float(position), 0.0), tube.radius)
    for name in plane.limbs:
        parts += _limb_marks(canvas, plane, sheet, name, reach[name])
    side = plane.limbs["side"]
    corner = (-plane.limbs["proximal"].start - reach["proximal"], side.at(reach["side"], side.radius)[1])
    return parts + _scale_bar(canvas, corner)


def _reach(sheet: Worksheet, limb: str) -> float:
    """How much of a limb is drawn: the longest planned stent or the lesion, and a little more."""
    stents = [span.proximal.value if limb == "proximal" else span.daughter.value
              for one in sheet.answers for span in one.spans if limb in ("proximal", span.limb)]  # fmt: skip
    lengths = [value for value in (*stents, sheet.facts.measured.limbs[limb].lesion_end.value) if math.isfinite(value)]
    return max(lengths, default=10.0) + _SHOWN_BEYOND_MM


def _lumen(canvas: Canvas, plane: Sketch, sheet: Worksheet, reach: Mapping[str, float]) -> list[str]:
    """Draw the measured lumen inside the references; the confluence, which has no diameter, joins its three ends."""
    fills, walls, mouths = [], [], []
    for name, tube in plane.limbs.items():
        before = plane.shoulder_position("side") if name == "proximal" else 0.0
        shown = [(p, d) for p, d in sheet.facts.measured.limbs[name].outline if before <= p <= reach[name]]
        if len(shown) < 2:
            continue
        upper = [tube.at(position, -diameter / 2.0) for position, diameter in shown]
        lower = [tube.at(position, diameter / 2.0) for position, diameter in shown]
        fills.append(canvas.polygon([*upper, *reversed(lower)], fill=LUMEN, stroke=LUMEN, stroke_width=0.6))
        walls += [canvas.line(wall, stroke=QUIET, stroke_width=1.0) for wall in (upper, lower)]
        mouths.append((name, upper[0], lower[0]))
    if len(mouths) == len(plane.limbs):
        by = {name: (upper, lower) for name, upper, lower in mouths}
        ring = [by["proximal"][0], *by["distal"], *by["side"], by["proximal"][1]]
        fills.append(canvas.polygon(ring, fill=LUMEN, stroke=LUMEN, stroke_width=0.6))
    return fills + walls


def _limb_marks(canvas: Canvas, plane: Sketch, sheet: Worksheet, name: str, reach: float) -> list[str]:
    """Draw the lesion's limits, the place of the MLD and the limb's numbers."""
    limb, tube, ink = sheet.facts.measured.limbs[name], plane.limbs[name], INKS[name]
    parts = []
    style = {"stroke": ink.colour, "stroke_width": 1.8}
    for position in (limb.lesion_start.value, limb.lesion_end.value):
        if math.isfinite(position) and sheet.facts.covered(name):
            for sign in (-1, 1):
                wall = [tube.at(position, sign * (tube.radius + gap)) for gap in (0.1, 0.55)]
                parts.append(canvas.line(wall, **style))
    if math.isfinite(limb.mld_position_mm) and limb.mld.value > 0:
        half = limb.mld.value / 2.0
        bar = [tube.at(limb.mld_position_mm, -half), tube.at(limb.mld_position_mm, half)]
        parts.append(canvas.line(bar, stroke=ink.colour, stroke_width=2.6))
    lines = (
        f"{ink.title} (flagged)" if sheet.facts.shaky(name, "scale") else ink.title,
        f"RVD {number_text(limb.reference.value, limb.reference.sd, 'mm', 2)}" + (" (derived)" if limb.derived else ""),
        f"MLD {number_text(limb.mld.value, limb.mld.sd, 'mm', 2)}",
        f"DS {number_text(limb.ds_percent, limb.ds_sd_percent, '%', 0)}",
    )
    share = {"proximal": 1.0, "distal": 0.5, "side": 0.45}[name]
    anchor = "start" if name == "proximal" else "end"
    step = 1.16 * _TEXT_SIZE / canvas.zoom
    width = max(canvas.width_of(line, _TEXT_SIZE) for line in lines)
    places = []
    for above in {"proximal": (True, False), "distal": (True,), "side": (False,)}[name]:
        corner = tube.at(reach * share, (-1 if above else 1) * (tube.radius + 0.9))
        left = corner[0] if anchor == "start" else corner[0] - width
        top = corner[1] - len(lines) * step if above else corner[1] - 0.3 * step
        box = (left, top, left + width, top + len(lines) * step)
        places.append((canvas.shift_clear(box, -0.3 if above else 0.3), corner, above))
    clear, corner, above = min(places, key=lambda place: abs(place[0]))
    for number, line in enumerate(lines):
        shift = clear + (-(len(lines) - 1 - number) * step if above else (number + 0.7) * step)
        parts.append(
            canvas.text(corner[0], corner[1] + shift, line, size=_TITLE_SIZE if number == 0 else _TEXT_SIZE,
                        text_anchor=anchor, font_weight="650" if number == 0 else None,
                        fill=ink.colour if number == 0 else TEXT)
        )  # fmt: skip
    return parts


def _angles(canvas: Canvas, plane: Sketch, sheet: Worksheet) -> list[str]:
    """Draw the three angles around the branching point."""
    directions = {name: math.atan2(tube.direction[1], tube.direction[0]) for name, tube in plane.limbs.items()}
    parts = []
    doubt = " (flagged)" if sheet.facts.shaky("angles") else ""
    for name, (first, second) in (
        ("A", ("proximal", "side")),
        ("B", ("side", "distal")),
        ("C", ("distal", "proximal")),
    ):
        value, sd = sheet.facts.measured.angles_deg[name]
        start, end = directions[first], directions[second]
        while end > start:
            end -= 2 * math.pi
        middle = (start + end) / 2.0
        # Outside the vessel: beyond the carina for B, beyond the proximal wall for A and C.
        wall = math.hypot(*plane.carina) if name == "B" else plane.limbs["proximal"].radius / math.sin(
            max(0.3, (start - end) / 2.0)
        )  # fmt: skip
        radius = wall + 0.35
        spread = 0.8 if name == "B" else 0.3
        steps = [middle + spread * (start - end) / 2.0 * (k / 12.0 - 1.0) for k in range(25)]
        parts.append(canvas.line([(radius * math.cos(t), radius * math.sin(t)) for t in steps], stroke=TEXT,
                                 stroke_width=1.2))  # fmt: skip
        # Written over the proximal vessel, away from the daughters' walls.
        away = radius + (0.6 if name == "B" else 0.35)
        x, y = away * math.cos(middle), away * math.sin(middle)
        shift = {"A": 0.85 * _TEXT_SIZE, "B": 0.35 * _TEXT_SIZE, "C": -2.0}[name] / canvas.zoom
        parts.append(
            canvas.text(x, y + shift, f"{name} {number_text(value, sd, 'deg', 0)}{doubt}", size=_TEXT_SIZE,
                        text_anchor="start" if name == "B" else "end")
        )  # fmt: skip
    return parts


def _scale_bar(canvas: Canvas, corner: Point) -> list[str]:
    x, y = corner
    words = f"{_SCALE_BAR_MM:g} mm"
    # These few letters are wider than the average letter.
    end = x + _SCALE_BAR_MM + 0.4 + 1.5 * canvas.width_of(words, _TEXT_SIZE)
    y += canvas.shift_clear((x, y - _TEXT_SIZE / canvas.zoom, end, y + 0.4), 0.3)
    bar = [(x, y - 0.2), (x, y), (x + _SCALE_BAR_MM, y), (x + _SCALE_BAR_MM, y - 0.2)]
    return [
        canvas.line(bar, stroke=TEXT, stroke_width=1.4),
        canvas.text(x + _SCALE_BAR_MM + 0.4, y + 0.1, words, size=_TEXT_SIZE),
    ]
