"""The angles of a bifurcation as a sketch in the orientation of the frame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from qca.report.limb_angles import LimbAngle, limb_angles
from qca.report.palette import INKS, PAPER, QUIET, TEXT
from qca.report.svg import coordinate, element, figure, text_element

if TYPE_CHECKING:
    from qca.reading import Profile, Reading

_WIDTH = 380.0
_RIM = 30.0
"""Room for labels above and below the sketch, canvas units."""
_CENTRE = (190.0, 0.0)
_REACH = 92.0
"""Drawn length of a limb's chord, canvas units."""
_LABEL_HALF = 36.0
"""Distance that a label keeps from the chords beside it, canvas units."""
_ARC = {"A": 40.0, "B": 50.0, "C": 30.0}
"""Radius of each arc, canvas units."""


def angle_figure(reading: Reading, aspect: float = 1.0) -> str:
    """Draw the chords of the three limbs and the angles between them.

    The directions are those of the chords from the branching point to the centreline at the chord length of the
    settings; the numbers are the reading's.

    Parameters
    ----------
    reading : Reading
        The reading.
    aspect : float
        Height of a stored pixel divided by its width.

    Returns
    -------
    str
        An ``svg`` element, or ``""`` without angles or without three known directions.
    """
    angles = limb_angles(reading)
    point = reading.branching_point_px
    if not angles or point is None:
        return ""
    directions = {
        name: direction
        for name, limb in reading.limbs.items()
        if (direction := chord_direction(limb.profile, point, _chord_px(reading), aspect)) is not None
    }
    if len(directions) < len(reading.limbs):
        return ""
    arcs, labels = zip(*(_arc(angle, directions) for angle in angles), strict=True)
    parts = list(arcs)
    for name, turn in directions.items():
        parts += _chord(name, turn)
    parts += labels  # last: the widest angle's may have to lie on the limb inside it
    parts.append(
        element(
            "circle",
            {"cx": _CENTRE[0], "cy": _CENTRE[1], "r": 5.0, "fill": PAPER, "stroke": TEXT, "stroke-width": 2.0},
        )
    )
    ends = [_at(turn, _REACH)[1] for turn in directions.values()]
    top = min(*ends, -max(_ARC.values())) - _RIM
    height = max(*ends, *_ARC.values()) + _RIM - top
    moved = element("g", {"transform": f"translate(0 {coordinate(-top)})"}, *parts)
    return figure(_WIDTH, height, "Angles between the limbs, as they lie in the frame", moved)


def chord_direction(profile: Profile, point: tuple[float, float], chord_px: float, aspect: float = 1.0) -> float | None:
    """Direction from the branching point to the limb's centreline one chord away.

    Parameters
    ----------
    profile : Profile
        Profile of the limb, from the carina outwards.
    point : (float, float)
        Branching point, (x, y) in stored pixels.
    chord_px : float
        Length of the chord, pixel columns; a shorter limb gives the direction to its far end.
    aspect : float
        Height of a stored pixel divided by its width.

    Returns
    -------
    float or None
        Radians, in image axes (y down); None when no centreline point is known.
    """
    offsets = np.column_stack([profile.x_px - point[0], (profile.y_px - point[1]) * aspect])
    offsets = offsets[np.isfinite(offsets).all(axis=1)]
    if not len(offsets):
        return None
    far = np.flatnonzero(np.hypot(offsets[:, 0], offsets[:, 1]) >= chord_px)
    x, y = offsets[far[0]] if far.size else offsets[-1]
    return math.atan2(float(y), float(x))


def _chord_px(reading: Reading) -> float:
    if reading.scale is None:
        return reading.settings.angle_chord_px
    return reading.settings.angle_chord_mm / reading.scale.mm_per_px


def _chord(name: str, turn: float) -> list[str]:
    ink = INKS[name]
    x, y = _at(turn, _REACH)
    line: dict[str, object] = {"x1": _CENTRE[0], "y1": _CENTRE[1], "x2": x, "y2": y}
    label_x, label_y = _at(turn, _REACH + 13)
    return [
        element(
            "line",
            {
                **line,
                "stroke": ink.colour,
                "stroke-width": 4.0,
                "stroke-dasharray": " ".join(f"{d:g}" for d in ink.dash) or None,
                "data-of": name,
            },
        ),
        text_element(
            label_x, label_y + 4.5, ink.title, text_anchor=_anchor(turn), font_weight="600", fill=ink.colour, halo=True
        ),
    ]


def _arc(angle: LimbAngle, directions: dict[str, float]) -> tuple[str, str]:
    """Arc and label of the angle below 180 degrees between two limbs, which is the one that is measured."""
    first, second = (directions[name] for name in angle.between)
    sweep = (second - first) % (2 * math.pi)
    if sweep > math.pi:
        first, sweep = second, 2 * math.pi - sweep
    radius = _ARC[angle.letter]
    (x1, y1), (x2, y2) = _at(first, radius), _at(first + sweep, radius)
    path = f"M{coordinate(x1)},{coordinate(y1)}A{radius:g},{radius:g} 0 0 1 {coordinate(x2)},{coordinate(y2)}"
    middle = first + sweep / 2
    room = _LABEL_HALF / math.sin(sweep / 2) if sweep > 0 else _REACH
    label_x, label_y = _at(middle, min(max(radius + 12, room), _REACH))
    anchor = "middle" if room > radius + 12 else _anchor(middle)
    return (
        element("path", {"d": path, "fill": "none", "stroke": QUIET, "stroke-width": 1.5, "data-angle": angle.letter}),
        text_element(label_x, label_y + 4.5, f"{angle.letter} {angle.value.text}", text_anchor=anchor, halo=True),
    )


def _at(turn: float, radius: float) -> tuple[float, float]:
    return (_CENTRE[0] + radius * math.cos(turn), _CENTRE[1] + radius * math.sin(turn))


def _anchor(turn: float) -> str:
    across = math.cos(turn)
    if abs(across) < 0.35:
        return "middle"
    return "start" if across > 0 else "end"
