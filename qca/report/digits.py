"""The Medina code digit by digit: where each limb stands to the threshold, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qca.picks import LIMBS
from qca.report.measured import Measured, probability_text
from qca.report.palette import INKS

if TYPE_CHECKING:
    from qca.reading import Reading

_CLEAR_PROBABILITY = 0.95
"""A digit whose probability lies beyond this on either side is called clear."""


@dataclass(frozen=True, slots=True)
class Digit:
    """One digit of the Medina code.

    Parameters
    ----------
    limb : str
        Limb name.
    title : str
        Limb name for people.
    digit : str
        ``"0"``, ``"1"`` or ``"?"``.
    ds : Measured
        Diameter stenosis of the limb.
    distance : float
        DS minus threshold, percentage points; NaN when unknown.
    probability : float
        Probability that the digit is 1; NaN when unknown.
    """

    limb: str
    title: str
    digit: str
    ds: Measured
    distance: float
    probability: float

    @property
    def distance_text(self) -> str:
        """Distance to the threshold in words."""
        if not math.isfinite(self.distance):
            return "not known"
        if round(abs(self.distance), 1) == 0:
            return "at the threshold"
        return f"{abs(self.distance):.1f} points {'above' if self.distance > 0 else 'below'}"

    @property
    def probability_text(self) -> str:
        """Probability that the digit is 1."""
        return probability_text(self.probability)

    @property
    def verdict(self) -> str:
        """How sure the digit is, in words."""
        if not math.isfinite(self.probability):
            return "cannot be told"
        if self.probability >= _CLEAR_PROBABILITY:
            return "clearly 1"
        if self.probability <= 1 - _CLEAR_PROBABILITY:
            return "clearly 0"
        return "too close to tell: may be 0 or 1"


def digits(reading: Reading) -> tuple[Digit, ...]:
    """Take the Medina code apart.

    Returns
    -------
    tuple of Digit
        In the order proximal, distal, side; empty without a Medina code.
    """
    medina = reading.medina
    if medina is None:
        return ()
    code = [part.strip() for part in medina.code.split(",")]
    code += ["?"] * (len(LIMBS) - len(code))
    found = []
    for k, name in enumerate(LIMBS):
        limb = reading.limbs.get(name)
        ds = Measured(
            limb.ds_percent if limb else math.nan, limb.ds_sd_percent if limb else math.nan, "%", 1, ceiling=100.0
        )
        digit = code[k] if code[k] in {"0", "1"} else "?"
        found.append(
            Digit(name, INKS[name].title, digit, ds, medina.distance_percent[k], medina.probability[k]),
        )
    return tuple(found)
