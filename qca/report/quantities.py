"""The numbers of a limb that the outputs show: title, meaning, and where they stand in the reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from qca.report.measured import Measured

if TYPE_CHECKING:
    from qca.reading import LimbReading, Reading


_OF_A_LESION = frozenset({"lesion_length", "lesion_start", "lesion_end"})


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the table of limbs.

    Parameters
    ----------
    key : str
        Field of ``LimbReading`` without its unit: ``mld``, ``reference``, ``ds``, ...
    title : str
        Row title.
    kind : str
        ``"length"`` (exists in px and in mm) or ``"percent"``.
    has_sd : bool
        False for positions, which carry no SD of their own.
    meaning : str
        One or two sentences for the reader.
    """

    key: str
    title: str
    kind: Literal["length", "percent"]
    has_sd: bool
    meaning: str

    def unit(self, *, in_mm: bool) -> str:
        """Name the unit in which the quantity is shown."""
        if self.kind == "percent":
            return "%"
        return "mm" if in_mm else "px"

    def field(self, *, in_mm: bool) -> str:
        """Name of the field in the reading, as in its JSON: ``mld_mm``, ``ds_percent``."""
        return f"{self.key}_percent" if self.kind == "percent" else f"{self.key}_{self.unit(in_mm=in_mm)}"

    def of(self, limb: LimbReading, *, in_mm: bool) -> Measured:
        """Take the quantity from a limb.

        Parameters
        ----------
        limb : LimbReading
            The limb.
        in_mm : bool
            Millimetres or pixels, for a length.

        Returns
        -------
        Measured
            ``none`` for the length and limits of a lesion where there is none.
            Percentages never exceed 100; lengths are never below 0.
        """
        unit = "percent" if self.kind == "percent" else self.unit(in_mm=in_mm)
        value = float(getattr(limb, f"{self.key}_{unit}"))
        sd = float(getattr(limb, f"{self.key}_sd_{unit}")) if self.has_sd else None
        if self.kind == "percent":
            return Measured(value, sd, "%", 1, ceiling=100.0)
        none = self.key in _OF_A_LESION and limb.lesion_length_px == 0
        return Measured(value, sd, unit, 2, floor=0.0 if self.has_sd else None, instead="none" if none else "")


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "mld",
        "Minimal lumen diameter (MLD)",
        "length",
        has_sd=True,
        meaning="The smallest diameter of the filled lumen along the limb, between two walls fitted together with the "
        "blur of the image; corrected for noise, by which the lowest point of the profile is a little too small. A "
        "lumen hardly wider than its error is given by the mean of what it may be, none of which is below zero.",
    ),
    Quantity(
        "reference",
        "Reference diameter (RVD)",
        "length",
        has_sd=True,
        meaning="The diameter that the limb would have at the place of the MLD without its narrowing, taken from its "
        "healthy parts unless the table says otherwise.",
    ),
    Quantity(
        "ds",
        "Diameter stenosis (DS)",
        "percent",
        has_sd=True,
        meaning="The part of the reference diameter that is missing: one minus MLD / reference, in percent. It "
        "does not depend on the scale. A limb without narrowing still has a smallest diameter and so a small DS.",
    ),
    Quantity(
        "area_stenosis",
        "Area stenosis",
        "percent",
        has_sd=True,
        meaning="The same for the cross-section's area, as if the lumen were round, which one view cannot tell.",
    ),
    Quantity(
        "lesion_length",
        "Lesion length",
        "length",
        has_sd=True,
        meaning="Along the centreline, between the places on either side of the MLD where the diameter is back near "
        "the reference; none where it never leaves it. A limb not parallel to the detector looks shorter than it is.",
    ),
    Quantity(
        "lesion_start",
        "Lesion begins at",
        "length",
        has_sd=False,
        meaning="Distance from the carina, outwards along the limb; for a segment, from its start.",
    ),
    Quantity(
        "lesion_end",
        "Lesion ends at",
        "length",
        has_sd=False,
        meaning="Distance from the carina, outwards along the limb; for a segment, from its start.",
    ),
    Quantity(
        "mld_position",
        "MLD lies at",
        "length",
        has_sd=False,
        meaning="Distance from the carina, outwards along the limb; for a segment, from its start.",
    ),
    Quantity(
        "length",
        "Length measured",
        "length",
        has_sd=False,
        meaning="How much of the limb was traced. It is not the length of the vessel.",
    ),
)
"""Rows of the table, in order."""

BY_KEY = {quantity.key: quantity for quantity in QUANTITIES}


def in_millimetres(reading: Reading) -> bool:
    """Tell whether the reading has a scale, so that lengths are shown in mm."""
    return reading.scale is not None


def meanings() -> list[tuple[str, str]]:
    """Titles and meanings, titles of the same meaning joined."""
    joined: dict[str, list[str]] = {}
    for quantity in QUANTITIES:
        joined.setdefault(quantity.meaning, []).append(quantity.title)
    return [("; ".join(titles), meaning) for meaning, titles in joined.items()]
