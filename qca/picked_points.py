"""The points of a measurement, checked against the frame that they were picked on."""

from __future__ import annotations

import math

import numpy as np

from calib.sources import scale_typed
from qca.catheter import true_catheter_mm
from qca.errors import PicksError
from qca.frames.frame import Frame
from qca.picks import LIMBS, LimbName, Picks, Point


def picked_points(frame: Frame, picks: Picks, within_px: float) -> tuple[tuple[LimbName, ...], list[Point]]:
    """Hold picks against the frame, before anything is traced.

    Parameters
    ----------
    frame : Frame
        For its size and its valid region.
    picks : Picks
        Points, catheter, typed scale.
    within_px : float
        A point counts as exposed when a pixel this near, px, is valid.

    Returns
    -------
    names : tuple of str
        The limbs to measure.
    points : list of (x, y)
        Their picks in stored pixels; start and end of a segment.

    Raises
    ------
    PicksError
        If points are missing, outside the frame or on one spot, all under a shutter, or a size is absurd.
    """
    if picks.is_segment:
        wanted = {"start": picks.start, "end": picks.end}
        if any(p is not None for p in (picks.proximal, picks.distal, picks.side)):
            msg = "give either proximal, distal and side, or start and end, not both"
            raise PicksError(msg)
        names: tuple[LimbName, ...] = ("segment",)
    else:
        wanted = {"proximal": picks.proximal, "distal": picks.distal, "side": picks.side}
        names = LIMBS
    missing = [name for name, p in wanted.items() if p is None]
    if missing:
        msg = (
            f"missing point: {', '.join(missing)}; "
            "a bifurcation needs proximal, distal and side, a segment start and end"
        )
        raise PicksError(msg)
    points = [p for p in wanted.values() if p is not None]
    labelled = list(zip(wanted, points, strict=True))
    if picks.catheter is not None:
        labelled += [("first catheter", picks.catheter[0]), ("second catheter", picks.catheter[1])]
    for name, (x, y) in labelled:
        if not (
            np.isfinite(x) and np.isfinite(y) and -0.5 <= x <= frame.columns - 0.5 and -0.5 <= y <= frame.rows - 0.5
        ):
            msg = (
                f"the {name} point {x:g},{y:g} lies outside the frame of {frame.columns} x {frame.rows} px: "
                "points are x,y = column,row, counted from 0"
            )
            raise PicksError(msg, file=frame.file, frame=frame.index)
    _refuse_shaded(frame, labelled, within_px)
    for i, (name, p) in enumerate(labelled[: len(points)]):
        for other, q in labelled[:i]:
            if np.hypot(p[0] - q[0], p[1] - q[1]) < 6:
                advice = "pick them further apart" if picks.is_segment else "pick them on different limbs"
                msg = f"the {other} and {name} points {p[0]:g},{p[1]:g} are on the same spot: {advice}"
                raise PicksError(msg)
    true_catheter_mm(picks)
    _check_typed_scale(picks)
    return names, points


def all_exposed(frame: Frame, picks: Picks, within_px: float) -> bool:
    """Whether every point of ``picks`` has a valid pixel within ``within_px``, px; one outside the frame has none."""
    vessel = (picks.proximal, picks.distal, picks.side, picks.start, picks.end)
    points = [point for point in (*vessel, *(picks.catheter or ())) if point is not None]
    return all(_exposed(frame, point, within_px) for point in points)


def _exposed(frame: Frame, point: Point, within_px: float) -> bool:
    if not all(map(math.isfinite, point)):
        return False
    column, row, reach = round(point[0]), round(point[1]), math.ceil(within_px)
    rows, columns = (slice(max(k - reach, 0), max(k + reach + 1, 0)) for k in (row, column))
    return bool(frame.valid[rows, columns].any())


def _refuse_shaded(frame: Frame, labelled: list[tuple[str, Point]], within_px: float) -> None:
    """Refuse a vessel or a catheter all of whose points have nothing but shutter or collimator around them; PicksError.

    One point under it is no error: the limb is followed as far as it is exposed, and says so.
    """
    if frame.valid.all():
        return
    for what in ("vessel", "catheter"):
        points = [point for name, point in labelled if ("catheter" in name) == (what == "catheter")]
        if points and not any(_exposed(frame, point, within_px) for point in points):
            x, y = points[0]
            msg = (
                f"all points of the {what}, the first at {x:g},{y:g}, lie under the shutter or the collimator that the "
                "file names: pick inside the exposed part of the frame"
            )
            raise PicksError(msg, file=frame.file, frame=frame.index)


def _check_typed_scale(picks: Picks) -> None:
    """Refuse a typed scale that no frame can have, before anything is traced; PicksError."""
    if picks.mm_per_px is None:
        return
    try:
        scale_typed(picks.mm_per_px, picks.mm_per_px_sd)
    except ValueError as error:
        raise PicksError(str(error)) from error
