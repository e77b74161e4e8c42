"""The colours, dashes and markers of the limbs: the same in every figure, told apart without colour as well.

All inks have a contrast of at least 4.5 to 1 on white (WCAG 2.1, success criterion 1.4.3). Any two limbs of one figure
stay at least 25 apart (CIE 1976 colour difference) under simulated protanopia, deuteranopia and tritanopia.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Symbol = Literal["circle", "square", "triangle", "diamond"]
"""Shape of a marker."""


@dataclass(frozen=True, slots=True)
class Ink:
    """How one limb is drawn.

    Parameters
    ----------
    title : str
        Its name for people.
    colour : str
        ``#rrggbb``.
    dash : tuple of float
        Lengths of strokes and gaps, canvas units; empty for a solid line.
    marker : str
        Symbol at the ends of its MLD.
    """

    title: str
    colour: str
    dash: tuple[float, ...]
    marker: Symbol


INKS: Mapping[str, Ink] = MappingProxyType(
    {
        "proximal": Ink("Proximal", "#0b5fc4", (), "circle"),
        "distal": Ink("Distal", "#b34700", (11.0, 3.5), "square"),
        "side": Ink("Side", "#430c57", (5.0, 2.5), "triangle"),
        "segment": Ink("Segment", "#005e54", (), "circle"),
    }
)
"""Ink of each limb."""

CATHETER = Ink("Catheter", "#454545", (2.5, 2.5), "diamond")
"""Ink of the traced catheter."""

WIRE = Ink("Wire", "#ffffff", (2.0, 9.0), "diamond")
"""Ink of a wire found in the lumen, on the dark vessel: far apart, so that the wire shows between."""

PAPER = "#ffffff"
TEXT = "#1b2126"
QUIET = "#4f5b64"
RULE = "#c9d0d6"
ALARM = "#9c1c1c"
"""Words and frames of numbers that cannot be trusted; never without the words."""


def rgb(colour: str) -> tuple[int, int, int]:
    """Split ``#rrggbb`` into three numbers from 0 to 255.

    Raises
    ------
    ValueError
        If it is not of that form.
    """
    if len(colour) != 7 or colour[0] != "#":
        msg = f"colour must be like #rrggbb, not {colour!r}"
        raise ValueError(msg)
    return (int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16))
