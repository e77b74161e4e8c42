"""What is always true of single numbers of a reading, whatever was measured; reading back and the schema hold it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from qca.reading import Angles, FrameRecord, LimbReading, Medina, Profile

BEYOND_ALL = 1e6
"""No number of a reading is as large: a frame has at most 4096 pixels on a side, and percents and SDs of what lies in
it stay far below. Larger ones come from a slip of the hand, and their powers would leave the range of numbers."""


@dataclass(frozen=True, slots=True)
class Bound:
    """From ``low`` to ``high``; ``low`` itself is left out where it is ``open``."""

    low: float = -BEYOND_ALL
    high: float = BEYOND_ALL
    open: bool = False

    def holds(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Whether each of some numbers (N,) keeps to it; one that is unknown (NaN) does."""
        above = values > self.low if self.open else values >= self.low
        return np.asarray(np.isnan(values) | (above & (values <= self.high)))

    def keywords(self) -> dict[str, float]:
        """Write it as keywords of JSON Schema."""
        numbers = {"exclusiveMinimum" if self.open else "minimum": self.low, "maximum": self.high}
        return {key: int(value) if value.is_integer() else value for key, value in numbers.items()}

    def words(self) -> str:
        """Say it in a message, after "must be"."""
        if self.high < BEYOND_ALL and self.low > -BEYOND_ALL:
            return f"from {self.low:g} to {self.high:g}"
        if self.high < BEYOND_ALL:
            return f"{self.high:g} or less"
        if self.low > -BEYOND_ALL:
            return f"{'above' if self.open else 'at least'} {self.low:g} and no more than a million"
        return "from minus a million to a million"


_ANY, _NOT_NEGATIVE, _POSITIVE = Bound(), Bound(low=0.0), Bound(low=0.0, open=True)
_PERCENT, _TURN, _CHANCE = Bound(high=100.0), Bound(0.0, 180.0), Bound(0.0, 1.0)
_THINNEST_PX = Bound(low=0.05)
"""No smaller minimum is ever written: `qca.lumen.stenosis`."""
_SCALE = Bound(low=1e-6)
"""Far below any that is believed: what a header says is measured with, too."""


def _of_limb(name: str) -> Bound:
    """Bound of a number of a limb, by what it is."""
    if name.startswith(("ds_percent", "area_stenosis_percent")):
        return _PERCENT  # an ectasia's are negative
    if name == "mld_px":
        return _THINNEST_PX
    if name in ("mld_mm", "reference_px", "reference_mm", "law_reference_px", "law_reference_mm"):
        return _POSITIVE
    if "_sd_" in name or name.startswith(("length_", "lesion_length_")):
        return _NOT_NEGATIVE
    return _ANY


BOUNDS: Mapping[type, Mapping[str, Bound]] = MappingProxyType(
    {
        Scale: MappingProxyType({"mm_per_px": _SCALE, "sd_mm_per_px": _NOT_NEGATIVE}),
        FrameRecord: MappingProxyType({"index": _NOT_NEGATIVE, "rows": Bound(low=1.0), "columns": Bound(low=1.0)}),
        LimbReading: MappingProxyType(
            {name: _of_limb(name) for name, kind in LimbReading.__annotations__.items() if kind == "float"}
        ),
        Profile: MappingProxyType(
            {
                f"{name}_{unit}": bound
                for name, bound in {
                    "position": _ANY,
                    "diameter": _NOT_NEGATIVE,
                    "diameter_sd": _NOT_NEGATIVE,
                    "reference": _ANY,
                }.items()
                for unit in ("px", "mm")
            }
        ),
        Angles: MappingProxyType(
            {name: _NOT_NEGATIVE if name.startswith("sd_") else _TURN for name in Angles.__annotations__}
        ),
        Medina: MappingProxyType({"threshold_percent": _PERCENT, "probability": _CHANCE}),
    }
)
"""Type to field to bound."""
