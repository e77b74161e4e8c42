"""One number with its uncertainty, written the same way in every output."""

from __future__ import annotations

import math
from dataclasses import dataclass

COVERAGE_FACTOR = 1.96
"""Standard deviations on either side of a value that hold 95 % of a normal distribution."""

UNKNOWN = "not known"
_VERDICTS_CHANGE = (5, 95)
"""Percent."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, its standard deviation and how to write them.

    Parameters
    ----------
    value : float
        NaN when unknown.
    sd : float or None
        One standard deviation; NaN when unknown, None for a quantity that has none by nature.
    unit : str
        Unit, written after the number; ``""`` for none.
    decimals : int
        Digits after the point.
    floor : float or None
        Smallest possible value (0 for a length): the 95 % interval stops there.
    ceiling : float or None
        Largest possible value.
    instead : str
        Word shown in place of the number, its SD and its interval; for a length that does not exist, such as that of
        a lesion where there is none.
    """

    value: float
    sd: float | None
    unit: str
    decimals: int
    floor: float | None = None
    ceiling: float | None = None
    instead: str = ""

    @property
    def known(self) -> bool:
        """True when the value is a number."""
        return math.isfinite(self.value)

    @property
    def interval(self) -> tuple[float, float]:
        """Bounds of the 95 % interval; NaN without value or SD."""
        if self.instead or self.sd is None or not (self.known and math.isfinite(self.sd)):
            return (math.nan, math.nan)
        low, high = self.value - COVERAGE_FACTOR * self.sd, self.value + COVERAGE_FACTOR * self.sd
        if self.floor is not None:
            low, high = max(low, self.floor), max(high, self.floor)
        if self.ceiling is not None:
            low, high = min(low, self.ceiling), min(high, self.ceiling)
        return (low, high)

    @property
    def value_text(self) -> str:
        """The value without unit."""
        return self.instead or number_text(self.value, self.decimals)

    @property
    def sd_text(self) -> str:
        """The SD without unit, ``""`` where the quantity has none."""
        if self.instead or self.sd is None or not self.known:
            return ""
        if not math.isfinite(self.sd):
            return "SD not known"
        smallest = 10.0**-self.decimals
        if 0 < self.sd < smallest / 2:
            return f"< {smallest:.{self.decimals}f}"
        return f"{self.sd:.{self.decimals}f}"

    @property
    def interval_text(self) -> str:
        """The 95 % interval without unit, ``""`` where there is none."""
        low, high = self.interval
        if not (math.isfinite(low) and math.isfinite(high)):
            return ""
        return f"{number_text(low, self.decimals)} to {number_text(high, self.decimals)}"

    @property
    def text(self) -> str:
        """Value, SD and unit: ``1.32 ± 0.06 mm``."""
        if not self.known:
            return UNKNOWN
        unit = self._unit_text
        if not self.sd_text:
            return f"{self.value_text}{unit}"
        if self.sd is not None and not math.isfinite(self.sd):
            return f"{self.value_text}{unit} (SD not known)"
        return f"{self.value_text} ± {self.sd_text}{unit}"

    @property
    def bare_text(self) -> str:
        """Value and unit without SD, for labels in figures that stand beside the full number."""
        if not self.known:
            return UNKNOWN
        return f"{self.value_text}{self._unit_text}"

    @property
    def _unit_text(self) -> str:
        if self.instead:
            return ""
        return self.unit if self.unit in {"", "°"} else f" {self.unit}"


def number_text(value: float, decimals: int) -> str:
    """Write a number with fixed decimals, without a negative zero; ``"not known"`` for NaN and infinities."""
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def probability_text(probability: float) -> str:
    """Write a probability as a percentage that never claims certainty.

    Returns
    -------
    str
        ``"< 1 %"``, ``"37 %"``, ``"> 99 %"``, or ``"not known"`` for NaN. About 5 and 95 %, where verdicts change, with
        as many decimals as tell it from them, two at most.
    """
    if not math.isfinite(probability):
        return UNKNOWN
    percent = 100.0 * probability
    if percent < 1:
        return "< 1 %"
    if percent > 99:
        return "> 99 %"
    texts = [f"{percent:.{decimals}f}" for decimals in range(3)]
    return next((text for text in texts if float(text) not in _VERDICTS_CHANGE), texts[-1]) + " %"
