"""The scale of a reading, and the only conversion from pixels to millimetres in the code base."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from calib.units import Mm, Px


@dataclass(frozen=True, slots=True)
class Scale:
    """Millimetres per pixel in the vessel's plane.

    Parameters
    ----------
    mm_per_px : float
        Scale, mm per (square) pixel; finite and positive.
    sd_mm_per_px : float
        Its standard uncertainty, mm per pixel; NaN when unknown.
    source : str
        Where it came from, e.g. ``"catheter"``, ``"header: isocentre estimate"``, ``"typed in"``.
    detail : mapping
        Raw values behind it (width in px, French size, header numbers), JSON-able.

    Raises
    ------
    ValueError
        If ``mm_per_px`` is not finite and positive.
    """

    mm_per_px: float
    sd_mm_per_px: float
    source: str
    detail: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        """Refuse a scale that cannot be one."""
        if not (math.isfinite(self.mm_per_px) and self.mm_per_px > 0):
            msg = f"mm_per_px must be a positive number, not {self.mm_per_px!r}"
            raise ValueError(msg)

    @property
    def relative_sd(self) -> float:
        """Standard uncertainty divided by the scale, dimensionless."""
        return self.sd_mm_per_px / self.mm_per_px

    def to_mm(self, length: Px) -> Mm:
        """Convert a length, keeping its own error and the scale's error apart.

        Parameters
        ----------
        length : Px
            Length in pixels.

        Returns
        -------
        Mm
            ``sd_scale`` is ``length * sd_mm_per_px``, common to every length of the reading.
        """
        return Mm(
            length.value * self.mm_per_px,
            length.sd * self.mm_per_px,
            length.value * self.sd_mm_per_px,
        )
