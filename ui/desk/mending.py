"""From a gesture on the frame to a hand edit: which limb, which wall, which stretch. Pure geometry on a reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from qca.picks import Edit, LimbName, Point
from qca.reading import LimbReading, Reading
from ui.desk.work import DECIMALS

Side = Literal["left", "right"]
Array = npt.NDArray[np.float64]

KNOT_DISTANCE_PX = 8.0
"""Distance of the handles on a wall, px: as far as a drawn point reaches."""

STROKE_DISTANCE_PX = 3.0
"""Points of a drawn wall are kept this far apart, px."""

SAME_KNOT_PX = 5.0
"""A point dragged again within this distance along the limb replaces its earlier edit."""


INSIDE_PX = 0.5
"""How far within a limb's ends a dragged wall point is kept, px."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place on a limb: index into its profile, position along it (px), distance of the point from it (px)."""

    limb: LimbName
    index: int
    position_px: float
    distance_px: float


@dataclass(frozen=True, slots=True)
class Knot:
    """A handle on a wall: limb, side, index into the profile, and where it is, (x, y)."""

    limb: LimbName
    side: Side
    index: int
    point: Point


def knots(reading: Reading, apart_px: float = KNOT_DISTANCE_PX) -> list[Knot]:
    """Place handles on all walls of a reading, evenly spaced; none where a wall is not known."""
    found: list[Knot] = []
    for name, limb in reading.limbs.items():
        profile = limb.profile
        step = _step(profile.position_px)
        for k in range(0, len(profile.position_px), max(round(apart_px / step), 1)):
            for side, wall in (("left", profile.left_px), ("right", profile.right_px)):
                if np.isfinite(wall[k]).all():
                    found.append(Knot(name, side, k, (float(wall[k, 0]), float(wall[k, 1]))))  # type: ignore[arg-type]
    return found


def in_sight(reading: Reading, handles: Sequence[Knot], limb: str, index: int) -> list[Knot]:
    """Leave out the handles that would hide a narrowing: those within a reference diameter of a limb's MLD.

    Parameters
    ----------
    reading : Reading
        The reading.
    handles : sequence of Knot
        All of its handles.
    limb : str
        Limb that the pointer is on, ``""`` for none.
    index : int
        Where on it, an index into its profile, or into that of an earlier reading; with the pointer at the narrowing
        all handles of the limb are in sight.
    """
    pointed = limb in reading.limbs and _at_mld(reading.limbs[limb], index)
    return [
        handle
        for handle in handles
        if (pointed and handle.limb == limb) or not _at_mld(reading.limbs[handle.limb], handle.index)
    ]


def nearest_knot(handles: Sequence[Knot], point: Point, reach_px: float) -> Knot | None:
    """Return the handle next to a point, None when all are farther than ``reach_px``."""
    if not handles:
        return None
    where = np.array([handle.point for handle in handles])
    away = np.hypot(where[:, 0] - point[0], where[:, 1] - point[1])
    best = int(np.argmin(away))
    return handles[best] if away[best] <= reach_px else None


def place_on(reading: Reading, point: Point, limb: str | None = None) -> Place | None:
    """Find the place of a reading's limbs next to a point.

    Parameters
    ----------
    reading : Reading
        The reading.
    point : (x, y)
        Stored pixels.
    limb : str or None
        Look at this limb only.

    Returns
    -------
    Place or None
        None when no limb has a centreline.
    """
    best: Place | None = None
    for name, numbers in reading.limbs.items():
        if limb is not None and name != limb:
            continue
        profile = numbers.profile
        away = np.hypot(profile.x_px - point[0], profile.y_px - point[1])
        if not np.isfinite(away).any():
            continue
        k = int(np.nanargmin(away))
        if best is None or away[k] < best.distance_px:
            best = Place(name, k, float(profile.position_px[k]), float(away[k]))  # type: ignore[arg-type]
    return best


def wall_near(reading: Reading, point: Point) -> tuple[LimbName, Side, float] | None:
    """Limb and side of the wall next to a point, with its distance, px; None where there are no walls."""
    best: tuple[LimbName, Side, float] | None = None
    for name, limb in reading.limbs.items():
        for side, wall in (("left", limb.profile.left_px), ("right", limb.profile.right_px)):
            away = np.hypot(wall[:, 0] - point[0], wall[:, 1] - point[1])
            if np.isfinite(away).any():
                distance = float(np.nanmin(away))
                if best is None or distance < best[2]:
                    best = (name, side, distance)  # type: ignore[assignment]
    return best


def wall_point(reading: Reading, knot: Knot, point: Point, edits: tuple[Edit, ...]) -> tuple[Edit, ...]:
    """Edits after a handle was dragged to a point; a point dragged again replaces itself.

    A point dropped before the limb's first or behind its last cross-section is taken to that one: a wall beside no part
    of its limb could not be measured.
    """
    edit = Edit("wall", knot.limb, knot.side, (rounded(_beside(reading, knot.limb, point)),))
    last = edits[-1] if edits else None
    if last is not None and (last.kind, last.limb, last.side, len(last.points)) == ("wall", knot.limb, knot.side, 1):
        before = place_on(reading, last.points[0], knot.limb)
        here = reading.limbs[knot.limb].profile.position_px[knot.index]
        if before is not None and abs(before.position_px - float(here)) < SAME_KNOT_PX:
            return (*edits[:-1], edit)
    return (*edits, edit)


def wall_stroke(reading: Reading, stroke: Sequence[Point]) -> Edit | None:
    """Edit for a wall drawn with the mouse; None when it is too short or near no wall.

    The wall is the one nearest to most of the stroke.
    """
    points = thinned(stroke, STROKE_DISTANCE_PX)
    if len(points) < 2:
        return None
    votes: dict[tuple[LimbName, Side], float] = {}
    for point in points:
        near = wall_near(reading, point)
        if near is not None:
            votes[near[:2]] = votes.get(near[:2], 0.0) + 1.0 / (1.0 + near[2])
    if not votes:
        return None
    limb, side = max(votes, key=lambda key: votes[key])
    return Edit("wall", limb, side, tuple(rounded(point) for point in points))


def excluded_stretch(reading: Reading, begin: Point, end: Point) -> Edit | None:
    """Edit that leaves out the stretch between two points along one limb; None when they fall together."""
    first = place_on(reading, begin)
    if first is None:
        return None
    last = place_on(reading, end, first.limb)
    return None if last is None else span_edit("exclude", first.limb, first.position_px, last.position_px)


def span_edit(kind: Literal["exclude", "lesion"], limb: LimbName, one_px: float, other_px: float) -> Edit | None:
    """Edit over a stretch; None when it has no length."""
    low, high = sorted((round(one_px, DECIMALS), round(other_px, DECIMALS)))
    return Edit(kind, limb, span_px=(low, high)) if high - low >= 1 else None


def replaced(edits: tuple[Edit, ...], edit: Edit) -> tuple[Edit, ...]:
    """Edits with one that stands alone for its limb (lesion limits, reference) put in the place of its earlier one."""
    return (*(old for old in edits if (old.kind, old.limb) != (edit.kind, edit.limb)), edit)


def without(edits: tuple[Edit, ...], kind: str, limb: str) -> tuple[Edit, ...]:
    """Edits without those of one kind on one limb."""
    return tuple(edit for edit in edits if (edit.kind, edit.limb) != (kind, limb))


def in_words(edit: Edit, scale: Scale | None = None) -> str:
    """Say what an edit does, with its lengths in millimetres where there is a scale, as they were typed and shown."""
    who = {"proximal": "Proximal", "distal": "Distal", "side": "Side", "segment": "Segment"}[edit.limb]
    if edit.kind == "wall":
        return f"{who}: {edit.side} wall through {len(edit.points)} point{'s' if len(edit.points) != 1 else ''}"
    if edit.kind == "exclude" and edit.span_px is not None:
        return f"{who}: left out from {_stretch(edit.span_px, scale)}"
    if edit.kind == "lesion" and edit.span_px is not None:
        return f"{who}: lesion from {_stretch(edit.span_px, scale)}"
    if edit.kind == "reference" and edit.value_px is not None:
        factor, unit = _unit(scale)
        return f"{who}: RVD {edit.value_px * factor:.2f} {unit}"
    return f"{who}: centreline through {len(edit.points)} point{'s' if len(edit.points) != 1 else ''}"


def _stretch(span_px: tuple[float, float], scale: Scale | None) -> str:
    factor, unit = _unit(scale)
    low, high = (f"{position * factor:.{0 if scale is None else 1}f}" for position in span_px)
    return f"{low} to {high} {unit}"


def _unit(scale: Scale | None) -> tuple[float, str]:
    return (1.0, "px") if scale is None else (scale.mm_per_px, "mm")


def thinned(stroke: Sequence[Point], distance_px: float) -> list[Point]:
    """Points of a stroke at least a distance apart; the last one is kept."""
    kept: list[Point] = []
    for point in stroke:
        if not kept or np.hypot(point[0] - kept[-1][0], point[1] - kept[-1][1]) >= distance_px:
            kept.append(point)
    if stroke and kept[-1] != stroke[-1]:
        if len(kept) > 1 and np.hypot(stroke[-1][0] - kept[-1][0], stroke[-1][1] - kept[-1][1]) < distance_px / 2:
            kept.pop()
        kept.append(stroke[-1])
    return kept


def rounded(point: Point) -> Point:
    """Round a point to what is kept."""
    return (round(float(point[0]), DECIMALS), round(float(point[1]), DECIMALS))


def _beside(reading: Reading, limb: str, point: Point) -> Point:
    """Shift a point along the limb's end, as little as needed, so that it lies beside the limb."""
    profile = reading.limbs[limb].profile
    centre = np.column_stack([profile.x_px, profile.y_px])
    centre = centre[np.isfinite(centre).all(axis=1)]
    if len(centre) < 2:
        return point
    where = np.array(point)
    for end, inner in ((centre[0], centre[1]), (centre[-1], centre[-2])):
        inwards = (inner - end) / max(float(np.hypot(*(inner - end))), 1e-9)
        short = INSIDE_PX - float((where - end) @ inwards)
        if short > 0 and np.hypot(*(where - end)) == np.min(np.hypot(*(where - centre).T)):
            where = where + short * inwards
    return (float(where[0]), float(where[1]))


def _at_mld(limb: LimbReading, index: int) -> bool:
    """Tell whether a profile point lies within a reference diameter of the MLD; no for one that is not there."""
    along = limb.profile.position_px
    return 0 <= index < len(along) and bool(abs(along[index] - limb.mld_position_px) < limb.reference_px)


def _step(position: Array) -> float:
    return float(position[1] - position[0]) if len(position) > 1 else 1.0
