"""The scale as it stands: its value, what is doubtful about it and what to do then. No Qt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from qca.doubted import subjects, untrusted
from qca.flags import FLAGS
from ui.desk.work import NO_SCALE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from qca.reading import Reading
    from ui.desk.desk import Desk
    from ui.desk.shown import ShaftShown

Standing = Literal["good", "early", "doubt"]
"""Nothing speaks against it; a first look that only the vessel can settle; an untrusted flag is about it."""

_SETTLED_BY_THE_VESSEL = "catheter_unclear"
"""Code that a first look gives to every filled catheter, for it knows no vessel's contrast: only a reading's counts."""


@dataclass(frozen=True, slots=True)
class ScaleSeen:
    """The scale, and what the flags say about it.

    Parameters
    ----------
    mm_per_px, sd_mm_per_px : float
        NaN for what is not known.
    final : bool
        It is that of the reading; a first look otherwise.
    standing : str
        Whether it may be relied on.
    doubts : tuple of str
        Why not, each with what to do, as sentences.
    remarks : tuple of str
        What else there is to say, as sentences.
    """

    mm_per_px: float
    sd_mm_per_px: float
    final: bool
    standing: Standing
    doubts: tuple[str, ...]
    remarks: tuple[str, ...]


def scale_seen(desk: Desk) -> ScaleSeen | None:
    """Look at the scale of the reading, or at the catheter alone; None while neither is known or none is wanted."""
    if desk.work.scale == NO_SCALE or not desk.work.has_scale:
        return None
    measured, shaft = desk.measuring.shown.measured, desk.measuring.shown.shaft
    same = desk.measuring.fresh or desk.mender.only_edits_since
    if measured is not None and measured.reading.scale is not None and same:
        return of_reading(measured.reading)
    return None if shaft is None or math.isnan(shaft.mm_per_px) else of_shaft(shaft)


def of_reading(reading: Reading) -> ScaleSeen:
    """Take the scale of a reading that has one."""
    scale = reading.scale
    if scale is None:
        msg = "reading: it has no scale"
        raise ValueError(msg)
    flags = [(flag.code, flag.message) for flag in reading.flags if "scale" in subjects(flag.where)]
    doubts, remarks = _told(flags)
    standing: Standing = "doubt" if doubts else "good"
    return ScaleSeen(scale.mm_per_px, scale.sd_mm_per_px, final=True, standing=standing, doubts=doubts, remarks=remarks)


def of_shaft(shaft: ShaftShown) -> ScaleSeen:
    """Take what the first look at the catheter says."""
    early = _SETTLED_BY_THE_VESSEL in shaft.codes
    doubts, remarks = _told((code, "") for code in shaft.codes if code != _SETTLED_BY_THE_VESSEL)
    if early:
        remarks = (*remarks, "Whether its outline is certain is told with the vessel.")
    standing: Standing = "doubt" if doubts else "early" if early else "good"
    return ScaleSeen(
        shaft.mm_per_px, shaft.sd_mm_per_px, final=False, standing=standing, doubts=doubts, remarks=remarks
    )


def _told(flags: Iterable[tuple[str, str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Untrusted flags with their advice, and the others, pairs of code and message, as sentences."""
    doubts, remarks = [], []
    for code, message in dict.fromkeys(flags):
        definition = FLAGS.get(code)
        said = message or (definition.short if definition else code)
        sentence = f"{said[:1].upper()}{said[1:].rstrip('.')}."
        if untrusted(code):
            doubts.append(f"{sentence} {definition.advice}" if definition else sentence)
        else:
            remarks.append(sentence)
    return tuple(doubts), tuple(remarks)
