"""The angles of a bifurcation as a sketch in the orientation of the frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.report.limb_angles import LimbAngle, limb_angles
from qca.report.palette import INKS, PAPER, QUIET, TEXT
from qca.report.scene import text_width
from qca.report.svg import coordinate, element, figure, text_element

if TYPE_CHECKING:
    from qca.reading import Profile, Reading

_WIDTH = 380.0
_RIM = 30.0
"""Room for labels above and below the sketch, canvas units."""
_CENTRE = (190.0, 0.0)
_REACH = 92.0
"""Drawn length of a limb's chord, canvas units."""
_TITLE_AT = _REACH + 13.0
"""Where a limb's title stands, canvas units from the branching point."""
_FURTHEST = 170.0
"""How far out a place for an angle's label is looked for, canvas units."""
_SWINGS = (0.0, 0.2, -0.2, 0.4, -0.4)
"""Directions in which it is looked for: the middle of the angle, then off it by these shares of its half."""
_SWING_COSTS = 150.0
"""By how much nearer a place off the middle has to be, canvas units for a whole half of the angle."""
_LETTERS = 13.0
"""Height of a line of text, canvas units."""
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
    titles = {name: _title_box(name, turn) for name, turn in directions.items()}
    placed = list(titles.values())
    arcs, labels = [], []
    for angle in angles:
        first, sweep = _sector(angle, directions)
        text = f"{angle.letter} {angle.value.text}"
        box = _free_box(text, first, sweep, _ARC[angle.letter], [*directions.values()], placed)
        placed.append(box)
        arcs.append(_arc(angle.letter, first, sweep))
        labels.append(text_element(box.x, box.y + 4.5, text, text_anchor="middle", halo=True))
    parts = [*arcs, *(part for name, turn in directions.items() for part in _chord(name, turn)), *labels]
    parts.append(
        element(
            "circle",
            {"cx": _CENTRE[0], "cy": _CENTRE[1], "r": 5.0, "fill": PAPER, "stroke": TEXT, "stroke-width": 2.0},
        )
    )
    ends = [_at(turn, _REACH)[1] for turn in directions.values()]
    top = min(*ends, -max(_ARC.values()), *(box.y for box in placed)) - _RIM
    height = max(*ends, *_ARC.values(), *(box.y for box in placed)) + _RIM - top
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
    label_x, label_y = _at(turn, _TITLE_AT)
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


@dataclass(frozen=True, slots=True)
class _Box:
    """A line of text around its middle, canvas units."""

    x: float
    y: float
    width: float

    def holds(self, x: float, y: float, margin: float) -> bool:
        """Whether a point lies in the box or within a margin of it."""
        return abs(x - self.x) < self.width / 2 + margin and abs(y - self.y) < _LETTERS / 2 + margin

    def meets(self, other: _Box) -> bool:
        """Whether two boxes overlap or touch."""
        apart = abs(self.x - other.x) - (self.width + other.width) / 2
        return apart < 4.0 and abs(self.y - other.y) < _LETTERS + 2.0

    def reach(self) -> float:
        """Distance of its nearest point from the branching point."""
        across = max(abs(self.x - _CENTRE[0]) - self.width / 2, 0.0)
        return math.hypot(across, max(abs(self.y - _CENTRE[1]) - _LETTERS / 2, 0.0))


def _title_box(name: str, turn: float) -> _Box:
    x, y = _at(turn, _TITLE_AT)
    width = text_width(INKS[name].title, bold=True)
    return _Box(x + {"start": width / 2, "end": -width / 2}.get(_anchor(turn), 0.0), y, width)


def _sector(angle: LimbAngle, directions: dict[str, float]) -> tuple[float, float]:
    """Where the angle below 180 degrees between two limbs, which is the one that is measured, begins, and its size."""
    first, second = (directions[name] for name in angle.between)
    sweep = (second - first) % (2 * math.pi)
    return (second, 2 * math.pi - sweep) if sweep > math.pi else (first, sweep)


def _free_box(text: str, first: float, sweep: float, arc: float, chords: list[float], placed: list[_Box]) -> _Box:
    """Find the nearest place outside an arc where a label lies on no chord and on no other text."""
    width = text_width(text)
    lines = [_at(turn, radius) for turn in chords for radius in np.arange(0.0, _REACH + 1.0, 2.0)]
    candidates = [(radius, swing) for radius in np.arange(arc, _FURTHEST, 3.0) for swing in _SWINGS]
    candidates.sort(key=lambda one: one[0] + _SWING_COSTS * abs(one[1]))
    for radius, swing in candidates:
        x, y = _at(first + sweep / 2 * (1.0 + swing), float(radius))
        box = _Box(x, y, width)
        inside = width / 2 < x < _WIDTH - width / 2
        crossed = any(box.holds(*point, margin=4.0) for point in lines)
        if inside and box.reach() > arc + 4.0 and not crossed and not any(map(box.meets, placed)):
            return box
    return _Box(*_at(first + sweep / 2, _REACH), width)


def _arc(letter: str, first: float, sweep: float) -> str:
    radius = _ARC[letter]
    (x1, y1), (x2, y2) = _at(first, radius), _at(first + sweep, radius)
    path = f"M{coordinate(x1)},{coordinate(y1)}A{radius:g},{radius:g} 0 0 1 {coordinate(x2)},{coordinate(y2)}"
    return element("path", {"d": path, "fill": "none", "stroke": QUIET, "stroke-width": 1.5, "data-angle": letter})


def _at(turn: float, radius: float) -> tuple[float, float]:
    return (_CENTRE[0] + radius * math.cos(turn), _CENTRE[1] + radius * math.sin(turn))


def _anchor(turn: float) -> str:
    across = math.cos(turn)
    if abs(across) < 0.35:
        return "middle"
    return "start" if across > 0 else "end"
