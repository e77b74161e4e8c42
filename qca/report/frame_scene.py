"""The figure of the measured vessel: walls, narrowest places, lesion limits and branching point on the frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from qca.report.crop import Crop, crop_around
from qca.report.marker import Marker
from qca.report.marks import CrossSection, cross_section, runs
from qca.report.palette import CATHETER, INKS, TEXT, WIRE
from qca.report.placing import Wish, place
from qca.report.quantities import BY_KEY, in_millimetres
from qca.report.remarks import Remark, touching
from qca.report.scene import Line, Scene, to_canvas

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.reading import LimbReading, Points, Reading
    from qca.report.palette import Symbol

_MARGIN_PX = 22.0
_SHAPE = (1.1, 1.4)
"""Smallest and largest width of the figure divided by its height."""
_LARGEST = (760.0, 590.0)
"""Largest canvas, width and height."""
_DEEPEST_ZOOM = 9.0
_LIMIT_TICK = 9.0
"""Length of a lesion limit's tick outside the wall, canvas units."""
_REFERENCE_TICK = 5.0
"""Half the length of the ticks that show the reference width, canvas units."""


def frame_scene(reading: Reading, frame: Frame, found: tuple[Remark, ...]) -> Scene:
    """Draw the limbs of a reading.

    Parameters
    ----------
    reading : Reading
        The reading.
    frame : Frame
        Its frame.
    found : tuple of Remark
        Its remarks; numbers that cannot be trusted say so in their tag.

    Returns
    -------
    Scene
        Solid or dashed walls in the ink of each limb, thin centreline, wires that were found, MLD across the lumen,
        reference width as a pair of ticks at the same place, lesion limits as ticks outside the walls, branching point
        as an open circle, carina as an open diamond, and one tag for each limb.
    """
    crop = crop_around(frame, _extent(reading), margin_px=_MARGIN_PX, shape=_SHAPE)
    zoom = min(_LARGEST[0] / crop.columns, _LARGEST[1] / (crop.rows * crop.aspect), _DEEPEST_ZOOM)
    lines: list[Line] = []
    markers: list[Marker] = []
    if reading.catheter_left_px is not None and reading.catheter_right_px is not None:
        lines += catheter_lines(reading.catheter_left_px, reading.catheter_right_px, crop, zoom)
    for name, limb in reading.limbs.items():
        lines += _wall_lines(name, limb, crop, zoom)
    lines += [
        Line(to_canvas(piece, crop, zoom), WIRE.colour, 1.7, WIRE.dash, "wire", wire.limb, cased=False)
        for wire in reading.wires
        for piece in runs(wire.line_px)
    ]
    for name, limb in reading.limbs.items():
        mark_lines, mark_markers = _marks(name, limb, crop, zoom)
        lines += mark_lines
        markers += mark_markers
    symbols: tuple[tuple[tuple[float, float] | None, Symbol, str], ...] = (
        (reading.branching_point_px, "circle", "branching point"),
        (reading.carina_px, "diamond", "carina"),
    )
    for point, symbol, role in symbols:
        if point is not None and np.isfinite(point).all():
            x, y = to_canvas(np.array([point]), crop, zoom)[0]
            markers.append(Marker(float(x), float(y), symbol, TEXT, role, "bifurcation", filled=False, size=5.5))
    obstacles = np.concatenate([line.points for line in lines] or [np.empty((0, 2))])
    width, height = crop.columns * zoom, crop.rows * zoom * crop.aspect
    tags = place(_wishes(reading, found, crop, zoom), obstacles, width, height)
    return Scene(crop, zoom, tuple(lines), tuple(markers), tags)


def _extent(reading: Reading) -> Points:
    """Every point that the figure has to hold: walls and centrelines of the limbs, and the branching point."""
    points = [np.empty((0, 2))]
    for limb in reading.limbs.values():
        profile = limb.profile
        points += [profile.left_px, profile.right_px, np.column_stack([profile.x_px, profile.y_px])]
    points += [np.array([point]) for point in (reading.branching_point_px, reading.carina_px) if point is not None]
    return np.concatenate(points)


def catheter_lines(left_px: Points, right_px: Points, crop: Crop, zoom: float) -> list[Line]:
    """Lines of a traced catheter's walls."""
    return [
        Line(to_canvas(piece, crop, zoom), CATHETER.colour, 1.5, CATHETER.dash, "wall", "catheter")
        for side in (left_px, right_px)
        for piece in runs(side)
    ]


def _wall_lines(name: str, limb: LimbReading, crop: Crop, zoom: float) -> list[Line]:
    ink, profile = INKS[name], limb.profile
    centre = np.column_stack([profile.x_px, profile.y_px])
    thin = [
        Line(to_canvas(piece, crop, zoom), ink.colour, 0.8, (1.5, 4.0), "centreline", name, cased=False)
        for piece in runs(centre)
    ]
    return thin + [
        Line(to_canvas(piece, crop, zoom), ink.colour, 1.7, ink.dash, "wall", name)
        for side in (profile.left_px, profile.right_px)
        for piece in runs(side)
    ]


def _marks(name: str, limb: LimbReading, crop: Crop, zoom: float) -> tuple[list[Line], list[Marker]]:
    ink = INKS[name]
    lines: list[Line] = []
    markers: list[Marker] = []
    limits = (limb.lesion_start_px, limb.lesion_end_px) if limb.lesion_end_px > limb.lesion_start_px else ()
    for position in limits:
        section = cross_section(limb.profile, position)
        if section is None:
            continue
        for end, sign in ((section.left, -1.0), (section.right, 1.0)):
            start = to_canvas(np.array([end]), crop, zoom)[0]
            tick = np.array([start, start + sign * _LIMIT_TICK * _canvas_across(section, crop)])
            lines.append(Line(tick, ink.colour, 2.4, (), "lesion", name))
    section = cross_section(limb.profile, limb.mld_position_px)
    if section is not None:
        ends = to_canvas(np.array([section.left, section.right]), crop, zoom)
        lines.append(Line(ends, ink.colour, 2.6, (), "mld", name))
        markers += [Marker(float(x), float(y), ink.marker, ink.colour, "mld", name, size=4.0) for x, y in ends]
        if np.isfinite(limb.reference_px):
            lines += _reference_ticks(name, section, limb.reference_px, crop, zoom)
    return lines, markers


def _reference_ticks(name: str, section: CrossSection, reference_px: float, crop: Crop, zoom: float) -> list[Line]:
    middle = to_canvas(np.add(section.left, section.right) / 2, crop, zoom)[0]
    across = _canvas_across(section, crop)
    along = _REFERENCE_TICK * np.array([-across[1], across[0]])
    half = reference_px * zoom / 2 * across  # diameters are in pixel columns, as canvas units are
    ends = (middle - half, middle + half)
    return [Line(np.array([end - along, end + along]), INKS[name].colour, 2.0, (), "reference", name) for end in ends]


def _canvas_across(section: CrossSection, crop: Crop) -> Points:
    across = np.array([section.across[0], section.across[1] * crop.aspect])
    return np.asarray(across / np.hypot(*across))


def _wishes(reading: Reading, found: tuple[Remark, ...], crop: Crop, zoom: float) -> list[Wish]:
    in_mm = in_millimetres(reading)
    wishes = []
    for name, limb in reading.limbs.items():
        ink, section = INKS[name], cross_section(limb.profile, limb.mld_position_px)
        centre = np.column_stack([limb.profile.x_px, limb.profile.y_px])
        known = centre[np.isfinite(centre).all(axis=1)]
        if section is None and not len(known):
            continue
        anchor = section.centre if section is not None else tuple(known[len(known) // 2])
        x, y = to_canvas(np.array([anchor]), crop, zoom)[0]
        reference = BY_KEY["reference"].of(limb, in_mm=in_mm)
        lines = [
            f"{ink.title}: MLD {BY_KEY['mld'].of(limb, in_mm=in_mm).text}",
            f"RVD {reference.text}",
            f"DS {BY_KEY['ds'].of(limb, in_mm=in_mm).text}",
        ]
        doubts = touching(found, name, "scale")
        if doubts:
            lines.append("not reliable: " + ", ".join(remark.label for remark in doubts))
        if limb.edited:
            lines.append("edited by hand")
        widest = max((v for v in (limb.mld_px, limb.reference_px) if np.isfinite(v)), default=0.0)
        wishes.append(Wish(tuple(lines), ink.colour, (float(x), float(y)), name, widest / 2 * zoom + 7.0))
    return wishes
