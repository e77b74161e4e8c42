"""Diameters of a coronary bifurcation from one angiogram frame, each with its uncertainty."""

from __future__ import annotations

__version__ = "0.1.0"

ALGORITHM_VERSION = "1"
"""Raised whenever a measured value may change for the same frame, picks and settings."""

CAUTION = (
    "For research, teaching and planning support by qualified staff. Not a medical device. Follow the devices' "
    "instructions for use, local protocols and the licensed operator's judgement."
)
"""Shown on every screen, report and JSON document."""
