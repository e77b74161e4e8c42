"""Gap between a stent that is smaller than its vessel and the wall."""

from __future__ import annotations

from calib.units import Mm


def wall_gap(vessel: Mm, stent: Mm) -> Mm:
    """Gap around a stent that lies in the middle of the vessel, ``(vessel - stent) / 2``; negative when it stretches.

    A stent that lies against one wall leaves twice as much on the other side.
    """
    return (vessel - stent).times(0.5)
