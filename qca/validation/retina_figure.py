"""Figures of the real vessels: contours on the photograph, and junctions beside the diameter laws."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence

import numpy as np

from qca.report.palette import INKS, PAPER, QUIET, RULE
from qca.report.svg import element, figure, path_data, text_element
from qca.validation.plot import Canvas, Points
from qca.validation.retina import Image, SiteResult, junction_diameters, law_predictions

_ROOM_PX = 22.0
_SHOWN_WIDTH, _SHOWN_HEIGHT = 420.0, 380.0

_LAW_INKS = (("#0b5fc4", ""), ("#b34700", "8 3"), ("#430c57", "3 3"), ("#005e54", "10 3 2 3"))


def overlay_figure(result: SiteResult, pixels: Image) -> str:
    """Draw one site with its measured walls; empty without a reading.

    Grey levels are stretched for display only.
    """
    import cv2

    if not result.limbs:
        return ""
    points = np.vstack([np.vstack([limb.left_px, limb.right_px]) for limb in result.limbs])
    points = points[np.isfinite(points).all(axis=1)]
    low = np.maximum(np.floor(points.min(axis=0) - _ROOM_PX), 0)
    high = np.minimum(np.ceil(points.max(axis=0) + _ROOM_PX), np.array(pixels.shape[::-1]) - 1)
    part = pixels[int(low[1]) : int(high[1]) + 1, int(low[0]) : int(high[0]) + 1]
    dark, bright = np.quantile(part, [0.002, 0.998])
    shown = np.clip((part - dark) / max(bright - dark, 1e-9) * 255, 0, 255).astype(np.uint8)
    _, png = cv2.imencode(".png", shown)
    columns, rows = high - low + 1
    zoom = min(_SHOWN_WIDTH / columns, _SHOWN_HEIGHT / rows)
    picture = element(
        "image",
        {
            "href": "data:image/png;base64," + base64.b64encode(png.tobytes()).decode(),
            "width": float(columns * zoom),
            "height": float(rows * zoom),
            "preserveAspectRatio": "none",
        },
    )
    parts = [picture]
    for limb in result.limbs:
        ink = INKS[limb.name]
        for wall in (limb.left_px, limb.right_px):
            known = wall[np.isfinite(wall).all(axis=1)]
            if len(known) < 2:
                continue
            path = path_data((known - low + 0.5) * zoom)
            parts.append(element("path", {"d": path, "fill": "none", "stroke": PAPER, "stroke-width": 3.4}))
            dash = " ".join(f"{part:g}" for part in ink.dash) or None
            parts.append(
                element(
                    "path",
                    {"d": path, "fill": "none", "stroke": ink.colour, "stroke-width": 1.8, "stroke-dasharray": dash},
                )
            )
    words = ", ".join(f"{limb.name} {limb.reference_px:.1f}" for limb in result.limbs)
    title = f"{result.site.name}: measured walls; reference diameters in px: {words}"
    return figure(float(columns * zoom), float(rows * zoom), title, *parts)


def law_figure(results: Sequence[SiteResult]) -> str:
    """Draw each junction's proximal over distal diameter against side over distal, with the four laws as curves."""
    rows = [(name, p / d, s / d) for name, p, d, s in junction_diameters(results) if all(map(math.isfinite, (p, d, s)))]
    if not rows:
        return ""
    across = [max(side, 1 / side) ** -1 for _, _, side in rows]
    upwards = [ratio if side <= 1 else ratio / side for _, ratio, side in rows]
    canvas = Canvas((0.3, 1.0), (min(0.95, *upwards), max(1.45, *upwards)))
    parts = canvas.axes("smaller over larger daughter", "proximal over larger daughter")
    grid = np.linspace(0.3, 1.0, 60)
    laws = list(law_predictions(1.0, 1.0))
    for i, (law, (ink, dash)) in enumerate(zip(laws, _LAW_INKS, strict=True)):
        curve = [law_predictions(1.0, float(ratio))[law] for ratio in grid]
        parts.append(canvas.curve(list(grid), curve, ink, dash))
        y = 26.0 + 34 * i
        stroke = {"stroke": ink, "stroke-width": 1.6, "stroke-dasharray": dash or None}
        parts.append(element("path", {"d": f"M{canvas.right + 8},{y - 4}h22", **stroke}))
        words = law.replace(" (", "|(").split("|")
        for j, word in enumerate(words):
            parts.append(text_element(canvas.right + 34, y + 13 * j, word, font_size=11))
    parts.append(element("path", {"d": f"M{canvas.px(0.3):.1f},{canvas.py(1):.1f}H{canvas.right}", "stroke": RULE}))
    parts += canvas.points(Points(np.array(across), np.array(upwards), QUIET))
    return canvas.draw(f"Diameters of {len(rows)} junctions of real vessels beside four diameter laws", *parts)
