"""Colours of the desk. Limbs look as in the report; on dark panels the same hues are lightened to be read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from qca.report.palette import ALARM, CATHETER, INKS, QUIET, RULE, TEXT, rgb

LEAST_CONTRAST = 4.5
"""WCAG 2.1, success criterion 1.4.3."""


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of one theme, ``#rrggbb``.

    ``panel`` is the ground of panels, ``field`` that of inputs, plots and lists, ``rule`` thin lines, ``accent`` what
    is to be done now, ``alarm`` numbers that cannot be trusted (never without words), ``hand`` what was done by hand.
    """

    name: str
    panel: str
    field: str
    raised: str
    text: str
    quiet: str
    rule: str
    accent: str
    on_accent: str
    good: str
    alarm: str
    hand: str
    canvas: str

    @property
    def dark(self) -> bool:
        """True on a dark ground."""
        return luminance(self.panel) < 0.2

    def limb(self, name: str) -> str:
        """Colour of a limb on a panel."""
        ink = CATHETER if name.startswith("catheter") else INKS[name]
        return readable(ink.colour, self.field)


LIGHT = Look(
    name="light",
    panel="#eef1f3",
    field="#ffffff",
    raised="#dde3e7",
    text=TEXT,
    quiet=QUIET,
    rule=RULE,
    accent="#0c6b75",
    on_accent="#ffffff",
    good="#25632d",
    alarm=ALARM,
    hand="#7a4d00",
    canvas="#101418",
)
DARK = Look(
    name="dark",
    panel="#20272d",
    field="#171c21",
    raised="#313b43",
    text="#e8edf0",
    quiet="#a5b3bd",
    rule="#46525c",
    accent="#5cc5cf",
    on_accent="#0b1a1c",
    good="#8fd19a",
    alarm="#ff9a8f",
    hand="#f0bf5a",
    canvas="#0b0e11",
)
LOOKS = {"light": LIGHT, "dark": DARK}


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.1)."""
    parts = []
    for part in rgb(colour):
        share = part / 255
        parts.append(share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4)
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.1)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def mixed(one: str, other: str, share: float) -> str:
    """Mix ``share`` of the second colour into the first."""
    parts = (round(a + share * (b - a)) for a, b in zip(rgb(one), rgb(other), strict=True))
    return "#" + "".join(f"{part:02x}" for part in parts)


@lru_cache(maxsize=64)
def readable(colour: str, ground: str) -> str:
    """Lighten or darken a colour as little as needed to be read on a ground."""
    toward = "#ffffff" if luminance(ground) < 0.2 else "#000000"
    for step in range(101):
        candidate = mixed(colour, toward, step / 100)
        if contrast(candidate, ground) >= LEAST_CONTRAST:
            return candidate
    return toward
