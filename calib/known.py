"""Objects of known size."""

from __future__ import annotations

MM_PER_FRENCH = 1.0 / 3.0
"""One French is a third of a millimetre of outer diameter (not of circumference): the French (Charriere) scale."""

FRENCH_RANGE = (2.0, 14.0)
"""Catheter sizes that are believed; anything else is a typing error."""

CATHETER_MM_RANGE = (FRENCH_RANGE[0] * MM_PER_FRENCH, FRENCH_RANGE[1] * MM_PER_FRENCH)
"""The same range in millimetres."""


def french_to_mm(french: float) -> float:
    """Outer diameter of a catheter.

    Parameters
    ----------
    french : float
        French size.

    Returns
    -------
    float
        Outer diameter, mm: French / 3.

    Raises
    ------
    ValueError
        Outside ``FRENCH_RANGE``.
    """
    if not FRENCH_RANGE[0] <= french <= FRENCH_RANGE[1]:
        msg = f"a catheter of {french:g} F is outside {FRENCH_RANGE[0]:g} to {FRENCH_RANGE[1]:g} F: check the size"
        raise ValueError(msg)
    return french * MM_PER_FRENCH


def catheter_mm(diameter_mm: float) -> float:
    """Check a typed catheter diameter, mm, and return it.

    Parameters
    ----------
    diameter_mm : float
        Outer diameter, mm.

    Returns
    -------
    float
        The same.

    Raises
    ------
    ValueError
        Outside ``CATHETER_MM_RANGE``.
    """
    low, high = CATHETER_MM_RANGE
    if not low <= diameter_mm <= high:
        msg = f"a catheter diameter of {diameter_mm:g} mm is outside {low:.2f} to {high:.2f} mm: check the size"
        raise ValueError(msg)
    return diameter_mm
