"""What there is to show of what was computed: a reading or a glance, the catheter alone, the worksheet. No Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from qca.picks import Picks
from qca.reading import Points, Reading
from qca.settings import Settings

Key = tuple[str, Picks, Settings]
"""What a reading is of: file, picks, settings."""

Standing = Literal["current", "earlier", "provisional"]
"""What is shown is the reading of the work as it stands; that of an earlier state; a glance at a point on the move."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A reading with the text of its reading.json, which is what gets saved; a glance has none and never is."""

    reading: Reading
    text: str

    @property
    def provisional(self) -> bool:
        """True for a glance."""
        return not self.text


@dataclass(frozen=True, slots=True)
class ShaftShown:
    """The catheter looked at alone: scale in numbers, codes of flags, walls (x, y); or what is wrong with it."""

    mm_per_px: float = float("nan")
    sd_mm_per_px: float = float("nan")
    codes: tuple[str, ...] = ()
    left_px: Points | None = None
    right_px: Points | None = None
    problem: str = ""


@dataclass(slots=True)
class Shown:
    """What there is to show."""

    measured: Measured | None = None
    key: Key | None = None
    problem: str = ""
    shaft: ShaftShown | None = None
    worksheet: Mapping[str, Any] | None = None
    worksheet_key: tuple[str, object] | None = None
    worksheet_problem: str = ""
    seconds: float = field(default=float("nan"))
