"""SVG as text: an element builder that escapes everything. It knows no image and no measurement."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from qca.report.palette import PAPER, TEXT

if TYPE_CHECKING:
    from qca.reading import Points

FONTS = "'Helvetica Neue', Helvetica, Arial, 'Liberation Sans', sans-serif"

FONT_SIZE = 13.0
"""Letter height in figures, canvas units."""

_COORDINATE_DECIMALS = 2
"""Canvas units; a hundredth of a screen pixel."""


def element(name: str, attributes: dict[str, object], *children: str, text: str | None = None) -> str:
    """Write one SVG element.

    Parameters
    ----------
    name : str
        Element name, from this code base only.
    attributes : dict
        Names to values; a float is written with two decimals, None leaves the attribute out. Values are escaped.
    *children : str
        SVG made by this function.
    text : str or None
        Text inside, escaped.

    Returns
    -------
    str
        The element.
    """
    written = "".join(
        f' {key}="{html.escape(_attribute(value), quote=True)}"'
        for key, value in attributes.items()
        if value is not None
    )
    inside = (html.escape(text) if text is not None else "") + "".join(children)
    return f"<{name}{written}>{inside}</{name}>" if inside else f"<{name}{written}/>"


def _attribute(value: object) -> str:
    return coordinate(value) if isinstance(value, float) else str(value)


def coordinate(value: float) -> str:
    """Write a canvas coordinate; the same text on every machine."""
    text = f"{value:.{_COORDINATE_DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def path_data(points: Points, *, closed: bool = False) -> str:
    """Write a polyline as the ``d`` of a path.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Canvas points; all known.
    closed : bool
        Whether the path returns to its start.
    """
    parts = [f"{coordinate(float(x))},{coordinate(float(y))}" for x, y in points]
    return "M" + "L".join(parts) + ("Z" if closed else "")


def text_element(x: float, y: float, content: str, **attributes: object) -> str:
    """Write a text; underscores in attribute names become hyphens. ``halo=True`` adds a white rim behind it."""
    halo = attributes.pop("halo", False)
    rim: dict[str, object] = (
        {"paint-order": "stroke", "stroke": PAPER, "stroke-width": 3.0, "stroke-linejoin": "round"} if halo else {}
    )
    given = {key.replace("_", "-"): value for key, value in attributes.items()}
    return element("text", {"x": float(x), "y": float(y), "fill": TEXT, **rim, **given}, text=content)


def figure(width: float, height: float, title: str, *children: str, **attributes: object) -> str:
    """Wrap elements in an ``svg`` root that scales with its column and has a name for screen readers."""
    given = {key.replace("_", "-"): value for key, value in attributes.items()}
    return element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {coordinate(width)} {coordinate(height)}",
            "width": width,
            "height": height,
            "role": "img",
            "aria-label": title,
            "font-family": FONTS,
            "font-size": FONT_SIZE,
            **given,
        },
        *children,
    )
