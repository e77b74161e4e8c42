"""What the lines and marks on the frame and in the plots mean, for the Help menu. No Qt."""

from __future__ import annotations

from qca.picks import LIMBS
from qca.report.palette import INKS

_DASHES = {"proximal": "solid", "distal": "long dashes", "side": "short dashes"}
_ENDS = {"circle": "discs", "square": "squares", "triangle": "triangles", "diamond": "diamonds"}

LEGEND: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = (
    (
        "On the frame",
        (
            ("Lines along the vessel", "Walls: " + "; ".join(f"{name} {_DASHES[name]}" for name in LIMBS)),
            ("Dotted line between them", "Centreline"),
            (
                "Bar across the vessel",
                "Minimal lumen diameter; ends in "
                + ", ".join(f"{_ENDS[INKS[name].marker]} ({INKS[name].title.lower()})" for name in LIMBS),
            ),
            ("Two short ticks along the vessel, beside that bar", "Reference diameter at the same place"),
            ("Ticks that stand out from the walls", "Limits of the lesion"),
            ("White dashed lines from a ring", "Chords of the angles A, B and C; the ring is the branching point"),
            ("White diamond", "Carina: the tip between the two daughters"),
            ("White dots far apart, in the lumen", "A guide wire that was found and taken out"),
            ("Grey dashed lines", "Walls of the catheter"),
            (
                "White squares on the walls",
                "Handles: drag one to mend the wall; at a narrowing they show under the pointer",
            ),
            ("Yellow cross", "A point set by hand"),
            ("Faint lines, ≈ before a number", "Of an earlier place, or provisional: never saved"),
        ),
    ),
    (
        "In the plots",
        (
            (
                "Line with a band",
                "Diameter along the limb; the band holds 95 % (1.96 standard deviations to either side)",
            ),
            ("Thin dashed line", "Reference diameter"),
            ("Small ring", "Minimal lumen diameter"),
            ("Shaded part with ticks", "Lesion; its edges can be dragged"),
        ),
    ),
    (
        "Numbers",
        (
            ("±", "One standard deviation"),
            ("!", "A flag says that this number must not be relied on"),
            ("MLD, RVD, DS", "Minimal lumen diameter, reference diameter, diameter stenosis"),
        ),
    ),
)
"""Heading to its rows, pairs of what is seen and what it means."""


def legend_html() -> str:
    """Write the legend as rich text."""
    rows = []
    for heading, entries in LEGEND:
        rows.append(f"<tr><td colspan='2'><b>{heading}</b></td></tr>")
        rows += [f"<tr><td>{seen}</td><td>{meaning}.</td></tr>" for seen, meaning in entries]
    return f"<table cellpadding='3'>{''.join(rows)}</table>"
