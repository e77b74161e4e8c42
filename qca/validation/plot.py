"""Figures of the validation as SVG: errors against truth, differences against means, coverage, diameter laws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.agreement.plot import ticks
from qca.report.palette import PAPER, QUIET, RULE, TEXT
from qca.report.svg import element, figure, text_element
from qca.validation.published import published_for
from qca.validation.summary import Summary, summarise
from qca.validation.tables import NAMES, number
from qca.validation.value import Method, Value

Vector = npt.NDArray[np.float64]

WIDTH, HEIGHT = 560.0, 330.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 128.0, 14.0, 50.0

_MOST_POINTS = 3000
"""With more, every k-th is drawn and the title says so: the file stays openable."""

_LABEL_GAP = 14.0

INK: dict[Method, str] = {"joint fit": "#0b5fc4", "off the shelf": "#b34700"}
"""Colour of each method; the marker differs too."""

_PUBLISHED_INK = "#6a2c70"


@dataclass(frozen=True, slots=True)
class Line:
    """A horizontal line with its label at the right."""

    y: float
    label: str
    colour: str
    dash: str = ""


@dataclass(frozen=True, slots=True)
class Points:
    """Markers of one kind."""

    x: Vector
    y: Vector
    colour: str
    marker: str = "ring"
    label: str = ""


class Canvas:
    """Axes in data units on a drawing of fixed size."""

    def __init__(self, x: tuple[float, float], y: tuple[float, float]) -> None:
        self.x, self.y = _padded(*x), _padded(*y)
        self.right, self.bottom = WIDTH - _RIGHT, HEIGHT - _BOTTOM

    def px(self, x: float) -> float:
        """Horizontal place."""
        return _LEFT + (x - self.x[0]) / (self.x[1] - self.x[0]) * (self.right - _LEFT)

    def py(self, y: float) -> float:
        """Vertical place."""
        return self.bottom - (y - self.y[0]) / (self.y[1] - self.y[0]) * (self.bottom - _TOP)

    def axes(self, across: str, upwards: str) -> list[str]:
        """Frame, ticks and names of both axes."""
        parts = [element("path", {"d": f"M{_LEFT},{_TOP}V{self.bottom}H{self.right}", "fill": "none", "stroke": QUIET})]
        for x in ticks(*self.x):
            at = self.px(x)
            parts.append(element("path", {"d": f"M{at:.1f},{self.bottom}v5", "stroke": QUIET}))
            parts.append(text_element(at, self.bottom + 19, f"{x:g}", text_anchor="middle"))
        for y in ticks(*self.y):
            at = self.py(y)
            parts.append(element("path", {"d": f"M{_LEFT},{at:.1f}h-5", "stroke": QUIET}))
            parts.append(text_element(_LEFT - 9, at + 4, f"{y:g}", text_anchor="end"))
        middle = (_TOP + self.bottom) / 2
        parts.append(text_element((_LEFT + self.right) / 2, HEIGHT - 10, across, text_anchor="middle"))
        parts.append(
            text_element(0, 0, upwards, text_anchor="middle", transform=f"translate(14 {middle:.0f}) rotate(-90)")
        )
        return parts

    def lines(self, lines: Sequence[Line]) -> list[str]:
        """Horizontal lines, their labels moved apart."""
        parts = []
        inside = [line for line in lines if self.y[0] <= line.y <= self.y[1]]
        inside.sort(key=lambda line: -line.y)
        heights = _apart([self.py(line.y) for line in inside], _TOP, self.bottom)
        for line, label_y in zip(inside, heights, strict=True):
            at = self.py(line.y)
            stroke = {"stroke": line.colour, "stroke-width": 1.4, "stroke-dasharray": line.dash or None}
            parts.append(element("path", {"d": f"M{_LEFT},{at:.1f}H{self.right}", **stroke}))
            parts.append(text_element(self.right + 5, label_y + 4, line.label, fill=line.colour))
        return parts

    def points(self, points: Points) -> list[str]:
        """Markers inside the frame; those beyond it sit on its rim as triangles."""
        parts = []
        for x, y in zip(points.x, points.y, strict=True):
            if not (math.isfinite(x) and math.isfinite(y)):
                continue
            at, height = self.px(float(x)), self.py(float(np.clip(y, *self.y)))
            ink = {"stroke": points.colour, "fill": "none", "stroke-opacity": 0.7}
            if y != np.clip(y, *self.y):
                tip = 6.0 if y > self.y[1] else -6.0
                path = f"M{at - 4:.1f},{height + tip:.1f}h8L{at:.1f},{height:.1f}Z"
                parts.append(element("path", {"d": path, **ink, "fill": points.colour}))
            elif points.marker == "ring":
                parts.append(element("circle", {"cx": round(at, 1), "cy": round(height, 1), "r": 2.6, **ink}))
            else:
                path = f"M{at - 2.5:.1f},{height - 2.5:.1f}l5,5m0,-5l-5,5"
                parts.append(element("path", {"d": path, **ink}))
        return parts

    def curve(self, x: Sequence[float], y: Sequence[float], colour: str, dash: str = "") -> str:
        """Draw a line through points."""
        path = "M" + "L".join(f"{self.px(a):.1f},{self.py(b):.1f}" for a, b in zip(x, y, strict=True))
        return element(
            "path", {"d": path, "fill": "none", "stroke": colour, "stroke-width": 1.4, "stroke-dasharray": dash or None}
        )

    def draw(self, title: str, *parts: str) -> str:
        """Wrap up."""
        paper = element("rect", {"width": WIDTH, "height": HEIGHT, "fill": PAPER})
        return figure(WIDTH, HEIGHT, title, paper, *parts)


def _padded(low: float, high: float) -> tuple[float, float]:
    room = 0.05 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def _apart(heights: list[float], top: float, bottom: float) -> list[float]:
    """Move labels, sorted from top to bottom, so that neighbours keep their distance and stay inside."""
    out: list[float] = []
    for height in heights:
        out.append(max(height, out[-1] + _LABEL_GAP) if out else max(height, top))
    if out and out[-1] > bottom:
        out[-1] = bottom
        for i in range(len(out) - 2, -1, -1):
            out[i] = min(out[i], out[i + 1] - _LABEL_GAP)
    return out


def _thinned(values: Sequence[Value]) -> tuple[list[Value], str]:
    stride = max(1, math.ceil(len(values) / _MOST_POINTS))
    return list(values[::stride]), f", one in {stride} drawn" if stride > 1 else ""


def error_figure(values: Sequence[Value], name: str, unit: str, *, half: float, means: bool = False) -> str:
    """Draw measured minus true against the truth, or against the mean of both (Bland and Altman's way).

    Parameters
    ----------
    values : sequence of Value
        One quantity of one method.
    name, unit : str
        For the axes.
    half : float
        The vertical axis runs from -half to half; errors beyond sit on the rim.
    means : bool
        Bland JM, Altman DG, Lancet 1986;1:307: difference against mean.

    Notes
    -----
    Dotted lines are the 95 % limits that others published; see `qca.validation.published`.
    """
    method = values[0].method
    summary = summarise(values)
    drawn, remark = _thinned(values)
    error = np.array([value.error for value in drawn])
    truth = np.array([value.truth for value in drawn])
    x = truth + error / 2 if means else truth
    canvas = Canvas((float(np.nanmin(x)), float(np.nanmax(x))), (-half, half))
    lines = [Line(0.0, "", RULE)]
    if summary.sd >= 0:
        ink = INK[method]
        low, bias, high = (number(found, NAMES[values[0].quantity][2], sign=True)
                           for found in (summary.low, summary.bias, summary.high))  # fmt: skip
        lines += [
            Line(summary.high, f"+1.96 SD {high}", ink, "7 4"),
            Line(summary.bias, f"bias {bias}", ink),
            Line(summary.low, f"-1.96 SD {low}", ink, "7 4"),
        ]
    for row in published_for(values[0].quantity):
        if row.bias[0] == row.bias[1]:
            lines += [
                Line(row.bias[0] + side * 1.96 * row.sd[1], "published" if side > 0 else "", _PUBLISHED_INK, "2 4")
                for side in (-1, 1)
            ]
    marker = "ring" if method == "joint fit" else "cross"
    across = f"mean of measured and true {name}, {unit}" if means else f"true {name}, {unit}"
    return canvas.draw(
        f"{method}: error of {name} against {'mean' if means else 'truth'}, {summary.n} values{remark}",
        *canvas.axes(across, f"measured minus true, {unit}"),
        *canvas.points(Points(x, error, INK[method], marker)),
        *canvas.lines(lines),
    )


def published_figure(quantity: str, name: str, unit: str, found: Sequence[tuple[str, Summary]]) -> str:
    """Draw bias and 95 % limits of each method beside published ones; empty when nothing is published.

    ``found`` holds a label and a summary for each row of ours.
    """
    rows: list[tuple[str, tuple[float, float], float, str]] = [
        (label, (summary.bias, summary.bias), summary.sd, TEXT) for label, summary in found if summary.sd >= 0
    ]
    published = published_for(quantity)
    if not published or not rows:
        return ""
    rows += [(row.what, row.bias, row.sd[1], _PUBLISHED_INK) for row in published]
    low = min(bias[0] - 1.96 * sd for _, bias, sd, _ in rows)
    high = max(bias[1] + 1.96 * sd for _, bias, sd, _ in rows)
    height, left = 34.0 * len(rows) + 60, 250.0
    width = WIDTH
    x0, x1 = _padded(min(low, 0.0), max(high, 0.0))

    def px(x: float) -> float:
        return left + (x - x0) / (x1 - x0) * (width - left - 20)

    bottom = height - 46
    parts = [element("rect", {"width": width, "height": height, "fill": PAPER})]
    parts.append(element("path", {"d": f"M{px(0):.1f},8V{bottom}", "stroke": RULE}))
    for tick in ticks(x0, x1):
        parts.append(element("path", {"d": f"M{px(tick):.1f},{bottom}v5", "stroke": QUIET}))
        parts.append(text_element(px(tick), bottom + 19, f"{tick:g}", text_anchor="middle"))
    parts.append(text_element((left + width) / 2, height - 8, f"error of {name}, {unit}", text_anchor="middle"))
    for i, (label, bias, sd, ink) in enumerate(rows):
        y = 24 + 34.0 * i
        parts.append(text_element(left - 12, y + 4, label, text_anchor="end", fill=ink))
        path = f"M{px(bias[0] - 1.96 * sd):.1f},{y}H{px(bias[1] + 1.96 * sd):.1f}"
        parts.append(element("path", {"d": path, "stroke": ink, "stroke-width": 1.6}))
        block = {"x": px(bias[0]) - 3, "y": y - 6, "width": px(bias[1]) - px(bias[0]) + 6, "height": 12, "fill": ink}
        parts.append(element("rect", block))
    return figure(width, height, f"{name}: bias and 95 % limits beside published ones", *parts)


def coverage_figure(values: Sequence[tuple[str, Sequence[Value]]]) -> str:
    """Draw how often intervals of every width hold the truth; on the diagonal they are true.

    ``values`` holds a label and the values of one quantity for each curve.
    """
    from scipy.special import erfinv

    nominal = np.linspace(0.02, 0.99, 60)
    factor = math.sqrt(2) * erfinv(nominal)
    canvas = Canvas((0.0, 100.0), (0.0, 100.0))
    parts = canvas.axes("stated probability of the interval, %", "intervals that hold the truth, %")
    parts.append(canvas.curve([0, 100], [0, 100], RULE))
    inks = (("#0b5fc4", ""), ("#b34700", "8 3"), ("#430c57", "3 3"), ("#005e54", "10 3 2 3"))
    labels = []
    for (label, group), (ink, dash) in zip(values, inks, strict=False):
        z = np.array([abs(v.error) / v.sd for v in group if math.isfinite(v.error) and v.sd > 0])
        if not len(z):
            continue
        share = [100 * float(np.mean(z <= k)) for k in factor]
        parts.append(canvas.curve(list(100 * nominal), share, ink, dash))
        labels.append((label, ink, dash))
    for i, (label, ink, dash) in enumerate(labels):
        y = _TOP + 12 + 17 * i
        path = f"M{canvas.right + 8},{y - 4}h22"
        stroke = {"stroke": ink, "stroke-width": 1.6, "stroke-dasharray": dash or None}
        parts.append(element("path", {"d": path, **stroke}))
        parts.append(text_element(canvas.right + 34, y, label))
    return canvas.draw("How often the stated intervals hold the truth", *parts)
