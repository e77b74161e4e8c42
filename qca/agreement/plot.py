"""Difference against mean, as SVG: what readers do beside what the tool's own noise would do."""

from __future__ import annotations

import math
from html import escape

import numpy as np

from qca.agreement.comparison import Comparison
from qca.agreement.written import UNITS, difference_unit, fixed

WIDTH, HEIGHT = 520, 320
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 144, 16, 46
_TICKS = 5
_MOST_POINTS = 4000
"""With more, every k-th is drawn and the caption says so: the file stays openable."""

# Okabe and Ito's palette, told apart with all common kinds of colour vision; never colour alone
_POINT, _BIAS, _LIMIT, _TOOL = "#000000", "#0072B2", "#D55E00", "#009E73"


def ticks(low: float, high: float, count: int = _TICKS) -> tuple[float, ...]:
    """Round numbers that cover an interval.

    Parameters
    ----------
    low, high : float
        Finite, ``low < high``.
    count : int
        About how many.
    """
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(round(index * step, 12) for index in range(first, last + 1))


def difference_plot(one: Comparison) -> str:
    """Draw the differences of two reads against their mean.

    Parameters
    ----------
    one : Comparison
        With ``differences``.

    Returns
    -------
    str
        An ``<svg>`` element, or an empty text when nothing can be drawn: fewer than three complete pairs.
    """
    d = one.differences
    if d is None or not d.bias.known:
        return ""
    complete = np.isfinite(one.values).all(axis=1)
    first, second = one.values[complete, 0], one.values[complete, 1]
    mean, diff = (first + second) / 2, second - first
    tool = d.factor * one.tool_sd if math.isfinite(one.tool_sd) else 0.0
    heights = [*diff, d.lower.low, d.upper.high, -tool, tool, 0.0]
    x0, x1 = _padded(float(mean.min()), float(mean.max()))
    y0, y1 = _padded(min(heights), max(heights))
    right, bottom = WIDTH - _RIGHT, HEIGHT - _BOTTOM

    def px(x: float) -> float:
        return _LEFT + (x - x0) / (x1 - x0) * (right - _LEFT)

    def py(y: float) -> float:
        return bottom - (y - y0) / (y1 - y0) * (bottom - _TOP)

    parts: list[str] = []
    if tool > 0:
        parts.append(_band(py(tool), py(-tool), right, _TOOL, "tool"))
    parts.extend(
        _band(py(each.high), py(each.low), right, _LIMIT, "interval") for each in (d.lower, d.upper) if each.known
    )
    parts.append(_band(py(d.bias.high), py(d.bias.low), right, _BIAS, "interval"))
    parts.extend(_axes(ticks(x0, x1), ticks(y0, y1), px, py))
    parts.append(_line(py(0.0), right, "#777777", "1 3"))
    stride = max(1, math.ceil(len(diff) / _MOST_POINTS))
    parts.extend(
        f'<circle cx="{px(x):.1f}" cy="{py(y):.1f}" r="2.6" fill="none" stroke="{_POINT}" stroke-opacity="0.75"/>'
        for x, y in zip(mean[::stride], diff[::stride], strict=True)
    )
    upper, bias, lower = (fixed(each.value, one.unit) for each in (d.upper, d.bias, d.lower))
    marks = [
        (py(d.upper.value), f"+{d.factor:g} SD {upper}", _LIMIT, "7 4"),
        (py(d.bias.value), f"bias {bias}", _BIAS, ""),
        (py(d.lower.value), f"−{d.factor:g} SD {lower}", _LIMIT, "7 4"),  # noqa: RUF001 - a minus sign
    ]
    heights_of_labels = _apart([mark[0] for mark in marks])
    for (y, text, colour, dash), label_y in zip(marks, heights_of_labels, strict=True):
        parts.append(_line(y, right, colour, dash))
        parts.append(f'<text x="{right + 5}" y="{label_y + 4:.1f}" fill="{colour}">{escape(text)}</text>')
    if tool > 0:
        parts.append(_bracket(right - 7, py(tool), py(-tool)))
    unit, difference = (
        f", {UNITS.get(u, u)}" if u not in ("", "1") else "" for u in (one.unit, difference_unit(one.unit))
    )
    name = escape(f"{one.limb} {one.quantity}".strip())
    parts.append(
        f'<text x="{(_LEFT + right) / 2:.0f}" y="{HEIGHT - 10}" text-anchor="middle">mean of the two reads'
        f"{escape(unit)}</text>"
        f'<text transform="translate(14 {(_TOP + bottom) / 2:.0f}) rotate(-90)" text-anchor="middle">second minus first'
        f"{escape(difference)}</text>"
    )
    title = f"Differences of {name}, {escape(one.label)}: {d.n} pairs"
    if stride > 1:
        title += f", one in {stride} drawn"
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" xmlns="http://www.w3.org/2000/svg" class="differences">'
        f"<title>{title}</title>{''.join(parts)}</svg>"
    )


def _padded(low: float, high: float) -> tuple[float, float]:
    room = 0.06 * (high - low) or 0.06 * abs(high) or 1.0
    return low - room, high + room


def _line(y: float, right: float, colour: str, dash: str) -> str:
    style = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{_LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}" stroke="{colour}" stroke-width="1.4"{style}/>'


def _band(top: float, bottom: float, right: float, colour: str, kind: str) -> str:
    return (
        f'<rect class="{kind}" x="{_LEFT}" y="{top:.1f}" width="{right - _LEFT}" height="{max(bottom - top, 0):.1f}" '
        f'fill="{colour}" fill-opacity="{0.10 if kind == "interval" else 0.14}"/>'
    )


def _bracket(x: float, top: float, bottom: float) -> str:
    """Mark the tool's share with a shape, not by colour alone."""
    return (
        f'<path d="M {x - 5} {top:.1f} H {x} V {bottom:.1f} H {x - 5}" fill="none" stroke="{_TOOL}" '
        f'stroke-width="1.6"/><text x="{x - 8}" y="{top - 4:.1f}" text-anchor="end" fill="{_TOOL}">tool alone</text>'
    )


def _apart(heights: list[float], gap: float = 14.0) -> list[float]:
    """Move labels, given from top to bottom, so that neighbours do not overlap; the middle one stays."""
    upper, middle, lower = heights
    return [min(upper, middle - gap), middle, max(lower, middle + gap)]


def _axes(across: tuple[float, ...], upwards: tuple[float, ...], px, py) -> list[str]:  # type: ignore[no-untyped-def]  # noqa: ANN001
    right, bottom = WIDTH - _RIGHT, HEIGHT - _BOTTOM
    parts = [f'<path d="M {_LEFT} {_TOP} V {bottom} H {right}" fill="none" stroke="#444444"/>']
    for x in across:
        parts.append(f'<path d="M {px(x):.1f} {bottom} v 5" stroke="#444444"/>')
        parts.append(f'<text x="{px(x):.1f}" y="{bottom + 18}" text-anchor="middle">{x:g}</text>')
    for y in upwards:
        parts.append(f'<path d="M {_LEFT} {py(y):.1f} h -5" stroke="#444444"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{py(y) + 4:.1f}" text-anchor="end">{y:g}</text>')
    return parts
