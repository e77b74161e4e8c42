"""Which numbers of a comparison must not be relied on, and why, in the few words that stand beside a number."""

from __future__ import annotations

from collections.abc import Iterable

from qca.change.comparison import Comparison, RegionChange, flagged
from qca.change.region import Narrowest
from qca.change.times import NAMES
from qca.sizing.measured import MeasuredBifurcation

_OF_LENGTHS = ("same_frame", "references_shifted")
_OF_ANGLES = ("same_frame",)
"""Remarks about the readings together that spoil changes from one to another."""


def doubt_of_minimum(comparison: Comparison, one: RegionChange, time: str) -> str:
    """Say why the smallest diameter of a region at one time must not be relied on; ``""`` where it may."""
    found = _at(one, time)
    return _joined([flagged(_reading(comparison, time), one.limb, "scale"), _untraced(found, time)])


def doubt_of_stenosis(comparison: Comparison, one: RegionChange, time: str) -> str:
    """Say why the stenosis of a region at one time must not be relied on; ``""`` where it may.

    What was not traced can hold a narrowing: it spoils a good answer, while a stenosis that was seen is there.
    """
    found = _at(one, time)
    judged = one.restenosis if time == "later" and one.restenosis else one.residual
    untraced = _untraced(found, time) if found.ds_percent < judged.rule.threshold else ""
    return _joined([flagged(_reading(comparison, time), one.limb), untraced])


def doubt_of_change(comparison: Comparison, one: RegionChange, *times: str) -> str:
    """Say why the change of a region's smallest diameter between times must not be relied on; ``""`` where it may."""
    untraced = (_untraced(_at(one, time), time) for time in times)
    return _joined([*_flags(comparison, times, one.limb, "scale"), *untraced, *_together(comparison, _OF_LENGTHS)])


def doubt_of_reference(comparison: Comparison, limb: str) -> str:
    """Say why the change of a limb's reference, before to after, must not be relied on; ``""`` where it may."""
    return _joined([*_flags(comparison, NAMES[:2], limb, "scale"), *_together(comparison, _OF_LENGTHS)])


def doubt_of_angles(comparison: Comparison) -> str:
    """Say why the changes of the angles, before to after, must not be relied on; ``""`` where they may."""
    return _joined([*_flags(comparison, NAMES[:2], "angles"), *_together(comparison, _OF_ANGLES)])


def _flags(comparison: Comparison, times: Iterable[str], *subjects: str) -> list[str]:
    found = [(time, flagged(_reading(comparison, time), *subjects)) for time in times]
    return [f"{why} {time}" for time, why in found if why]


def _together(comparison: Comparison, codes: tuple[str, ...]) -> list[str]:
    return [one.name for one in comparison.remarks if one.code in codes]


def _untraced(found: Narrowest, time: str) -> str:
    """Say how much of a region was not traced after the stent was laid."""
    return f"{found.missing_mm:.1f} mm not traced" if found.missing_mm and time != "before" else ""


def _at(one: RegionChange, time: str) -> Narrowest:
    found = {"before": one.before, "after": one.after, "later": one.later}[time]
    if found is None:
        msg = f"this comparison has no reading {time}"
        raise ValueError(msg)
    return found


def _reading(comparison: Comparison, time: str) -> MeasuredBifurcation:
    return comparison.readings[NAMES.index(time)]


def _joined(reasons: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(reason for reason in reasons if reason))
