"""What the readings of a comparison are called, in the order of time."""

from __future__ import annotations

NAMES = ("before", "after", "later")
