"""A reading as line segments and marks in stored pixels, ready for the canvas. Numbers in, arrays out; no napari."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.picks import Edit
from qca.reading import LimbReading, Reading
from qca.report.marks import CrossSection, cross_section, runs
from qca.report.palette import CATHETER, INKS, WIRE, rgb
from qca.report.remarks import remarks, touching
from ui.desk.angle_texts import AngleText, places

Array = npt.NDArray[np.float64]
Rgba = tuple[float, float, float, float]

DASH_SCALE = 0.45
"""Stored pixels per unit of the report's dashes."""

PIECE_PX = 2.0
"""Longest straight piece of a line, stored pixels: on a bend of 20 px radius it stays within 0.03 px of the arc."""

LIMIT_TICK_PX = 4.0
"""Length of a lesion limit's ticks outside the walls, px."""

REFERENCE_TICK_PX = 2.0
"""Half the length of the ticks that show the reference width, px."""

CENTRELINE_DASH = (1.0, 3.0)
CHORD_DASH = (3.0, 2.0)
HAND = "#ffd24a"
"""Colour of what was drawn by hand, on the frame; always with its own mark."""

SYMBOLS = {"circle": "disc", "square": "square", "triangle": "triangle_up", "diamond": "diamond"}


@dataclass(frozen=True, slots=True)
class Segments:
    """K line segments: ``data`` (K, 2, 2) as (start, step), each (row, column); ``colour`` (K, 4); ``cased`` (K,)."""

    data: Array
    colour: Array
    cased: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark on the frame: (x, y) in stored pixels, symbol, colour and label."""

    point: tuple[float, float]
    symbol: str
    colour: str
    label: str = ""
    hollow: bool = False


NOTHING = Segments(np.zeros((0, 2, 2)), np.zeros((0, 4)), np.zeros(0, dtype=np.bool_))


def segments(reading: Reading) -> Segments:
    """Draw walls, centrelines, MLD, reference width, lesion limits, angle chords, the traced catheter and wires."""
    parts: list[Segments] = []
    if reading.catheter_left_px is not None and reading.catheter_right_px is not None:
        parts.append(shaft_segments(reading.catheter_left_px, reading.catheter_right_px))
    for name, limb in reading.limbs.items():
        parts += _limb(name, limb)
    for wire in reading.wires:
        parts += [
            _polyline(piece, _rgba(WIRE.colour), (DASH_SCALE * WIRE.dash[0], DASH_SCALE * WIRE.dash[1]), cased=False)
            for piece in runs(wire.line_px)
        ]
    parts += [_polyline(chord, _rgba("#ffffff", 0.9), CHORD_DASH, cased=False) for chord in chords(reading).values()]
    return _joined(parts)


def shaft_segments(left_px: Array, right_px: Array) -> Segments:
    """Draw the walls of a traced catheter."""
    colour = _rgba(CATHETER.colour)
    return _joined([_polyline(piece, colour, (2.0, 2.0)) for side in (left_px, right_px) for piece in runs(side)])


def chords(reading: Reading) -> dict[str, Array]:
    """Chords between which the angles are measured: from the branching point to a fixed distance along each limb."""
    if reading.branching_point_px is None or reading.angles is None:
        return {}
    settings = reading.settings
    length = settings.angle_chord_px
    if reading.scale is not None:
        length = settings.angle_chord_mm / reading.scale.mm_per_px
    begin = np.array(reading.branching_point_px)
    found = {}
    for name, limb in reading.limbs.items():
        centre = np.column_stack([limb.profile.x_px, limb.profile.y_px])
        away = np.hypot(*(centre - begin).T)
        beyond = np.flatnonzero(away >= length)
        end = centre[beyond[0]] if len(beyond) else centre[int(np.nanargmax(away))]
        found[name] = np.array([begin, end])
    return found


def marks(reading: Reading, edits: tuple[Edit, ...], zoom: float) -> list[Mark]:
    """Mark the MLD's ends, the branching point, the carina, the angles' letters and every hand-drawn point.

    ``zoom``, screen px per stored px, says how large texts are on the frame.
    """
    found: list[Mark] = []
    for name, limb in reading.limbs.items():
        ink = INKS[name]
        section = cross_section(limb.profile, limb.mld_position_px)
        if section is not None:
            ends = (section.left, section.right)
            found += [Mark(_point(end), SYMBOLS[ink.marker], ink.colour) for end in ends]
    for point, symbol in ((reading.branching_point_px, "disc"), (reading.carina_px, "diamond")):
        if point is not None and np.isfinite(point).all():
            found.append(Mark(_point(point), symbol, "#ffffff", hollow=True))
    found += _angle_letters(reading, zoom)
    found += [Mark(point, "cross", HAND) for edit in edits if edit.kind in ("wall", "path") for point in edit.points]
    return found


def _angle_letters(reading: Reading, zoom: float) -> list[Mark]:
    """Write each angle with its SD between its limbs; C on the free side, away from the other two."""
    lines = chords(reading)
    if not lines or reading.angles is None:
        return []
    begin = lines["side"][0]
    length = float(np.hypot(*(lines["side"][1] - begin)))
    towards = {name: (line[1] - begin) / max(float(np.hypot(*(line[1] - begin))), 1e-9) for name, line in lines.items()}
    directions = {
        "A": towards["proximal"] + towards["side"],
        "B": towards["distal"] + towards["side"],
        "C": -towards["side"],
    }
    found = remarks(reading)
    rough = any(remark.code == "provisional" for remark in found)
    doubt = " !" if touching(found, "angles") and not rough else ""
    texts = []
    for letter, direction in directions.items():
        if np.hypot(*direction) < 1e-3:
            direction = np.array([-towards["side"][1], towards["side"][0]])  # noqa: PLW2901 - straight on: across
        value, sd = getattr(reading.angles, letter), getattr(reading.angles, f"sd_{letter}")
        if math.isfinite(value):
            spread = f" ± {sd:.0f}" if math.isfinite(sd) and not rough else ""
            about = "≈ " if rough else ""
            half = math.radians(min(value, 120.0)) / 2
            text = f"{letter} {about}{value:.0f}{spread}°{doubt}"
            texts.append(AngleText(text, _point(direction / np.hypot(*direction)), half))
    size = (reading.frame.columns, reading.frame.rows)
    at = places(texts, begin, 0.5 * length, _drawn_places(reading, lines), zoom, size)
    return [Mark(where, "", "#ffffff", one.text) for where, one in zip(at, texts, strict=True)]


def _drawn_places(reading: Reading, lines: dict[str, Array]) -> Array:
    """Places (N, 2) of what texts should not cover, about one in each pixel or two: walls, chords, picked points."""
    parts = [line[0] + np.linspace(0, 1, 9)[:, None] * (line[1] - line[0]) for line in lines.values()]
    for name, limb in reading.limbs.items():
        profile = limb.profile
        parts += [wall[np.isfinite(wall).all(axis=1)][::3] for wall in (profile.left_px, profile.right_px)]
        parts.append(np.array(getattr(reading.picks, name), dtype=float).reshape(-1, 2))
    return np.concatenate(parts)


def _limb(name: str, limb: LimbReading) -> list[Segments]:
    ink, profile = INKS[name], limb.profile
    colour = _rgba(ink.colour)
    dash = tuple(part * DASH_SCALE for part in ink.dash)
    parts = [
        _polyline(piece, (*colour[:3], 0.8), CENTRELINE_DASH, cased=False)
        for piece in runs(np.column_stack([profile.x_px, profile.y_px]))
    ]
    parts += [_polyline(piece, colour, dash) for wall in (profile.left_px, profile.right_px) for piece in runs(wall)]
    if limb.lesion_end_px > limb.lesion_start_px:
        for position in (limb.lesion_start_px, limb.lesion_end_px):
            section = cross_section(profile, position)
            if section is not None:
                parts += _limit(section, colour)
    section = cross_section(profile, limb.mld_position_px)
    if section is not None:
        parts.append(_polyline(np.array([section.left, section.right]), colour, ()))
        if np.isfinite(limb.reference_px):
            parts += _reference(section, limb.reference_px, colour)
    return parts


def _limit(section: CrossSection, colour: Rgba) -> list[Segments]:
    across = np.array(section.across)
    return [
        _polyline(np.array([end, np.array(end) + sign * LIMIT_TICK_PX * across]), colour, ())
        for end, sign in ((section.left, -1.0), (section.right, 1.0))
    ]


def _reference(section: CrossSection, reference_px: float, colour: Rgba) -> list[Segments]:
    middle = np.add(section.left, section.right) / 2
    across = np.array(section.across)
    along = REFERENCE_TICK_PX * np.array([-across[1], across[0]])
    ends = (middle - reference_px / 2 * across, middle + reference_px / 2 * across)
    return [_polyline(np.array([end - along, end + along]), colour, ()) for end in ends]


def _polyline(points_xy: Array, colour: Rgba, dash: tuple[float, ...], *, cased: bool = True) -> Segments:
    """Cut a line into short pieces, leaving out the gaps of its dashes."""
    if len(points_xy) < 2:
        return NOTHING
    fine = points_xy[np.isfinite(points_xy).all(axis=1)]
    steps = np.hypot(*np.diff(fine, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] <= 0:
        return NOTHING
    count = max(int(np.ceil(along[-1] / PIECE_PX)), 1)
    at = np.linspace(0, along[-1], count + 1)
    if dash:
        stroke, gap = dash
        begins = np.arange(0, along[-1], stroke + gap)
        cuts = np.unique(np.concatenate([at, begins, begins + stroke]).clip(0, along[-1]))
        middle = (cuts[:-1] + cuts[1:]) / 2
        keep = (middle % (stroke + gap)) < stroke
        low, high = cuts[:-1][keep], cuts[1:][keep]
    else:
        low, high = at[:-1], at[1:]
    ends = [np.column_stack([np.interp(a, along, fine[:, 1]), np.interp(a, along, fine[:, 0])]) for a in (low, high)]
    data = np.stack([ends[0], ends[1] - ends[0]], axis=1)
    return Segments(data, np.tile(colour, (len(data), 1)), np.full(len(data), cased))


def _joined(parts: list[Segments]) -> Segments:
    if not parts:
        return NOTHING
    return Segments(
        np.concatenate([part.data for part in parts]),
        np.concatenate([part.colour for part in parts]),
        np.concatenate([part.cased for part in parts]),
    )


def _rgba(colour: str, alpha: float = 1.0) -> Rgba:
    red, green, blue = rgb(colour)
    return (red / 255, green / 255, blue / 255, alpha)


def _point(point: object) -> tuple[float, float]:
    x, y = np.asarray(point, dtype=float)
    return (float(x), float(y))
