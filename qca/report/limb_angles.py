"""The three angles of a bifurcation with their names, for tables and for the sketch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from qca.report.measured import Measured

if TYPE_CHECKING:
    from qca.reading import Reading


@dataclass(frozen=True, slots=True)
class LimbAngle:
    """One angle: its letter, the two limbs it lies between, its value, and what it is used for."""

    letter: str
    between: tuple[str, str]
    value: Measured
    meaning: str


_DEFINITIONS = (
    ("A", ("proximal", "side"), "how sharply one turns from the proximal limb into the side branch"),
    ("B", ("distal", "side"), "the angle of the carina between the two daughters"),
    ("C", ("proximal", "distal"), "how straight the main vessel runs on"),
)
"""Louvard Y et al., Catheter Cardiovasc Interv 2008;71:175-183."""


def angle_number(value: float, sd: float) -> Measured:
    """Make an angle between two directions, degrees: its interval ends at 0 and 180.

    Beyond half a turn the angle between two directions is counted back from the other side: 185 degrees are 175.
    What of an interval lies beyond 180 falls back onto its part below, so that the cut holds the same 95 %.
    """
    return Measured(value, sd, "°", 1, floor=0.0, ceiling=180.0)


def limb_angles(reading: Reading) -> tuple[LimbAngle, ...]:
    """List the angles A, B and C; empty without angles."""
    angles = reading.angles
    if angles is None:
        return ()
    return tuple(
        LimbAngle(
            letter,
            between,
            angle_number(float(getattr(angles, letter)), float(getattr(angles, f"sd_{letter}"))),
            meaning,
        )
        for letter, between, meaning in _DEFINITIONS
    )
