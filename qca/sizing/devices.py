"""The user's device table: stents and balloons as their labels and instructions for use describe them.

A number that is empty is unknown and stays unknown: none is ever assumed.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NoReturn

from qca.sizing.refusal import refuse

COLUMNS = MappingProxyType(
    {
        "kind": "stent or balloon",
        "label": "what the user calls it; each label once",
        "nominal_mm": "nominal diameter, mm; empty = unknown: the device then comes into question for no size",
        "length_mm": "length of the stent or of the balloon's cylindrical part, mm; empty = unknown",
        "expansion_limit_mm": "largest diameter that the label's instructions for use allow, mm; empty = unknown",
        "cell_opening_mm": "stent: largest diameter to which one side cell opens, mm; empty = unknown",
        "note": "free text",
    }
)
"""Columns that the header must have, in any order, and what stands in them."""

OPTIONAL_COLUMNS = MappingProxyType(
    {"compliance": "balloon: pressure and diameter from its chart, such as 8:2.94 12:3.00 18:3.11 (atm:mm)"}
)
"""Columns that are used where present. Others are allowed and ignored."""

_RANGES = MappingProxyType(
    {
        "nominal_mm": (1.0, 8.0),
        "length_mm": (5.0, 80.0),
        "expansion_limit_mm": (1.0, 12.0),
        "cell_opening_mm": (0.5, 12.0),
    }
)
"""Numbers outside are no coronary device, or no millimetres."""

_MOST_ROWS = 5000
_LONGEST_LABEL = 80
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Device:
    """One row of the table; NaN = unknown.

    ``compliance`` holds (atm, mm) pairs of a balloon's chart in rising pressure.
    """

    kind: Literal["stent", "balloon"]
    label: str
    nominal_mm: float
    length_mm: float
    expansion_limit_mm: float
    cell_opening_mm: float
    note: str
    row: int
    compliance: tuple[tuple[float, float], ...] = ()

    def pressure_for(self, diameter_mm: float) -> float:
        """Pressure that the chart gives for a diameter, atm; NaN outside the chart: nothing is extrapolated."""
        for (low_atm, low_mm), (high_atm, high_mm) in itertools.pairwise(self.compliance):
            if low_mm <= diameter_mm <= high_mm:
                share = (diameter_mm - low_mm) / (high_mm - low_mm) if high_mm > low_mm else 0.0
                return low_atm + share * (high_atm - low_atm)
        return math.nan


@dataclass(frozen=True, slots=True)
class DeviceTable:
    """A table of devices, by label, and where it came from."""

    devices: Mapping[str, Device]
    name: str = "devices"

    def of_kind(self, kind: str) -> tuple[Device, ...]:
        """Devices of one kind in the order of the table."""
        return tuple(device for device in self.devices.values() if device.kind == kind)


NO_DEVICES = DeviceTable(MappingProxyType({}), "")
"""No table was given: targets only."""


def parse_devices(text: str, *, name: str = "devices") -> DeviceTable:
    """Read a device table.

    Parameters
    ----------
    text : str
        CSV with a header row, columns separated by commas, decimal points.
    name : str
        What to call the file in a message.

    Returns
    -------
    DeviceTable
        At least one device.

    Raises
    ------
    InputError
        One sentence that names the row (the header is row 1) and the column.
    """
    rows = _rows(text, name)
    header = _header(rows[0][1], name)
    devices: dict[str, Device] = {}
    for number, cells in rows[1:]:
        if len(cells) > len(header):
            refuse(
                name,
                f"row {number} has {len(cells)} cells where the header has {len(header)} columns: write decimals with "
                "a point, and put quotation marks around text with commas",
            )
        row = _Row(name, number, dict(zip(header, (*cells, *[""] * len(header)), strict=False)))
        device = row.device()
        if device.label in devices:
            refuse(
                name,
                f"row {number}, column label: {device.label!r} stands in row {devices[device.label].row} already; give "
                "each device its own label",
            )
        devices[device.label] = device
    if not devices:
        refuse(
            name,
            "the table has a header and no device: write one device per row, or leave --devices out for targets only",
        )
    return DeviceTable(MappingProxyType(devices), name)


@dataclass(frozen=True, slots=True)
class _Row:
    """One row while it is read."""

    table: str
    number: int
    cells: Mapping[str, str]

    def device(self) -> Device:
        kind = self.cells["kind"].strip().lower()
        if kind not in ("stent", "balloon"):
            self.refuse("kind", f"{self.cells['kind']!r} must be stent or balloon")
        label = self.cells["label"].strip()
        if not label:
            self.refuse("label", "is empty; give the device a name")
        if len(label) > _LONGEST_LABEL or not label.isprintable():
            self.refuse("label", f"must be one line of at most {_LONGEST_LABEL} printable characters")
        nominal, length = self.length("nominal_mm"), self.length("length_mm")
        limit, cell = self.length("expansion_limit_mm"), self.length("cell_opening_mm")
        if limit < nominal:
            self.refuse("expansion_limit_mm", f"{limit:g} mm is less than the nominal {nominal:g} mm")
        if kind == "balloon" and not math.isnan(cell):
            self.refuse("cell_opening_mm", "a balloon has no cells; leave it empty")
        return Device(
            kind="stent" if kind == "stent" else "balloon",
            label=label,
            nominal_mm=nominal,
            length_mm=length,
            expansion_limit_mm=limit,
            cell_opening_mm=cell,
            note=self.cells["note"].strip(),
            row=self.number,
            compliance=self.compliance(kind),
        )

    def length(self, column: str) -> float:
        text = self.cells[column].strip()
        if not text:
            return math.nan
        value = self.number_in(column, text)
        low, high = _RANGES[column]
        if not low <= value <= high:
            self.refuse(column, f"{text} is outside {low:g} to {high:g} mm; check the number and that it is in mm")
        return value

    def number_in(self, column: str, text: str) -> float:  # noqa: RET503 - refuse() never returns
        if _NUMBER.fullmatch(text):
            return float(text)
        if re.fullmatch(r"\d+,\d+", text):
            self.refuse(column, f"{text!r} has a decimal comma; write {text.replace(',', '.')}")
        if re.fullmatch(r"[\d.,]+\s*(cm|mm|in|inch|F|Fr|French)\.?", text, re.IGNORECASE):
            self.refuse(column, f"{text!r} carries a unit; write the number in mm alone")
        self.refuse(column, f"{text!r} is not a number in mm")

    def compliance(self, kind: str) -> tuple[tuple[float, float], ...]:
        text = self.cells.get("compliance", "").strip()
        if not text:
            return ()
        if kind != "balloon":
            self.refuse("compliance", "only a balloon has a pressure chart; leave it empty")
        points = []
        for part in text.split():
            pressure, colon, diameter = part.partition(":")
            if not colon:
                self.refuse("compliance", f"{part!r} is not a pair like 12:3.00 (atm:mm)")
            points.append((self.number_in("compliance", pressure), self.number_in("compliance", diameter)))
        rising = all(a[0] < b[0] and a[1] <= b[1] for a, b in itertools.pairwise(points))
        low, high = _RANGES["nominal_mm"]
        if not rising or any(not (0 < atm <= 40 and low <= mm <= high) for atm, mm in points):
            self.refuse("compliance", f"{text!r} must rise in pressure (up to 40 atm) and diameter (mm)")
        return tuple(points)

    def refuse(self, column: str, problem: str) -> NoReturn:
        refuse(self.table, f"row {self.number}, column {column}: {problem}")


def _rows(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Split the text; keep the line numbers; drop empty rows."""
    if "\x00" in text:
        refuse(name, "is not a text file")
    try:
        reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
        rows = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        refuse(name, f"cannot be read as CSV ({error})")
    if not rows:
        refuse(name, f"is empty; its first line must be {','.join(COLUMNS)}")
    if len(rows) > _MOST_ROWS:
        refuse(name, f"has {len(rows) - 1} rows; a device table has at most {_MOST_ROWS - 1}")
    return rows


def _header(cells: list[str], name: str) -> list[str]:
    header = [cell.strip().lower() for cell in cells]
    missing = [column for column in COLUMNS if column not in header]
    if missing:
        refuse(name, f"row 1: the header lacks {', '.join(missing)}{_why_missing(cells, header)}")
    for column in header:
        if column and header.count(column) > 1:
            refuse(name, f"row 1: the column {column} stands twice")
    return header


def _why_missing(cells: list[str], header: list[str]) -> str:
    if len(cells) == 1 and (";" in cells[0] or "\t" in cells[0]):
        return "; separate the columns with commas, not with semicolons or tabs"
    other_unit = [c for c in header if re.search(r"_(cm|in|inch|fr?|french)$|\((cm|fr?|inch)\)", c)]
    if other_unit:
        return f"; {other_unit[0]!r} is in another unit: sizes are in mm"
    return f"; it must have {', '.join(COLUMNS)}"
