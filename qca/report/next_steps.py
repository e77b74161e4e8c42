"""What to do with a reading, in the order in which it should be done."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qca.report.digits import digits
from qca.report.palette import INKS
from qca.report.remarks import Remark, remarks
from qca.report.scale_words import NO_SCALE_ADVICE

if TYPE_CHECKING:
    from qca.reading import Reading


_NOTHING_TO_DO = "None needed"
"""Advice that begins so asks for no step; the flag is still in the table of flags."""

_UNKNOWN_ADVICE = (
    "Read the flags of this limb, choose a frame in which it is filled and free, or move its pick onto it, and measure "
    "again."
)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do.

    Parameters
    ----------
    label : str
        Label of the remark behind it, ``""`` for none.
    finding : str
        What was found.
    action : str
        What to do.
    urgent : bool
        True when numbers must not be used before.
    """

    label: str
    finding: str
    action: str
    urgent: bool


def next_steps(reading: Reading) -> tuple[Step, ...]:
    """List what a reader should do before the numbers are used; never empty.

    Returns
    -------
    tuple of Step
        Urgent ones first; the last is always the look at the contours.
    """
    found = remarks(reading)
    steps = [_step(remark) for remark in found if remark.untrusted]
    if reading.scale is None and not any(_about_scale(remark) for remark in found):
        steps.append(Step("", "No scale: lengths are in pixels.", NO_SCALE_ADVICE, urgent=False))
    steps += [
        _step(remark) for remark in found if not remark.untrusted and not remark.advice.startswith(_NOTHING_TO_DO)
    ]
    steps += [
        Step("", f"{INKS[name].title}: no diameter known.", _UNKNOWN_ADVICE, urgent=False)
        for name, limb in reading.limbs.items()
        if not math.isfinite(limb.mld_px)
    ]
    open_digits = [row.title.lower() for row in digits(reading) if "close" in row.verdict]
    if open_digits:
        finding = f"Medina digit close to its threshold: {', '.join(open_digits)}."
        steps.append(Step("", finding, "Report the digit together with its probability.", urgent=False))
    edited = [INKS[name].title.lower() for name, limb in reading.limbs.items() if limb.edited]
    if edited:
        finding = f"Edited by hand: {', '.join(edited)}."
        action = "Say so wherever these numbers are used; without the edits in the picks the automatic result returns."
        steps.append(Step("", finding, action, urgent=False))
    steps.append(
        Step(
            "",
            "Look at Figure 1.",
            "Every wall should lie on the edge of the contrast. Where one does not, move the picks or mend the wall, "
            "and measure again.",
            urgent=False,
        )
    )
    return tuple(steps)


def _step(remark: Remark) -> Step:
    return Step(remark.label, f"{remark.name} ({remark.place}).", remark.advice, urgent=remark.untrusted)


def _about_scale(remark: Remark) -> bool:
    return "scale" in remark.subjects or "scale" in remark.code
