"""Percent stenosis by diameter and by area."""

from __future__ import annotations


def percent_diameter_stenosis(mld: float, reference: float) -> float:
    """``100 (1 - mld / reference)``, percent."""
    return 100.0 * (1.0 - mld / reference)


def percent_area_stenosis(ds_percent: float) -> float:
    """Area stenosis of a circular lumen: ``100 (1 - (1 - DS/100)^2)``, percent."""
    return 100.0 * (1.0 - (1.0 - ds_percent / 100.0) ** 2)
