"""What the stored grey values of a DICOM frame mean, and the one change that they may need.

Windows (VOI LUT) are for looking and never applied. A lookup table is applied only where the header says that it leads
back to X-ray intensity: the modality LUT of a LOG image (PS3.3 C.8.7.1.1.2, C.11.1), or the TO_LINEAR table of an
Enhanced XA frame whose relationship is LOG or OTHER (C.8.19.6.4.1.1). Without such a table a MONOCHROME1 frame is
turned about its range, so that large always means bright.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.frames.dicom import attributes as at
from qca.frames.dicom.elements import Element
from qca.frames.dicom.header import DicomHeader, View
from qca.frames.dicom.pixel_format import Stored
from qca.frames.dicom.values import NotANumber, code, codes, numbers, table
from qca.frames.frame import FloatImage

_INTENSITY = {"LIN": "linear", "LOG": "log"}
_SHARPENING = {"HIGH_PASS_FILTER": "a high-pass filter", "MULTI_BAND_FLTR": "a multi-band filter"}


@dataclass(frozen=True, slots=True)
class GreyTable:
    """A lookup table from stored values to intensity.

    Parameters
    ----------
    first : int
        Stored value of the first entry; smaller values get the first entry, larger ones the last.
    entries : ndarray, shape (N,), float64
        Intensities.
    """

    first: int
    entries: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Grey:
    """How stored values become the values of a Frame.

    Parameters
    ----------
    inverted : bool
        Turned about ``value_range``.
    table : GreyTable or None
        Lookup table to intensity.
    value_range : tuple of int
        Range of the stored values.
    dark_vessels : bool or None
        As in Frame.
    intensity : str
        As in Frame.
    rule : str
        As ``Frame.grey_rule``.
    warnings : tuple of str
        What makes the grey values doubtful.
    """

    inverted: bool
    table: GreyTable | None
    value_range: tuple[int, int]
    dark_vessels: bool | None
    intensity: str
    rule: str
    warnings: tuple[str, ...]

    @property
    def grey_range(self) -> tuple[float, float]:
        """Smallest and largest value that can come out."""
        if self.table is None:
            return (float(self.value_range[0]), float(self.value_range[1]))
        low, high = (int(np.clip(v - self.table.first, 0, self.table.entries.size - 1)) for v in self.value_range)
        reached = self.table.entries[low : high + 1]
        return (float(reached.min()), float(reached.max()))

    def shown(self, stored: Stored) -> Stored:
        """Give stored values in their own type, turned where MONOCHROME1 asks for it: for a screen."""
        if not self.inverted:
            return stored
        low, high = self.value_range
        return np.subtract(low + high, stored, dtype=np.int32).astype(stored.dtype)

    def values(self, stored: Stored) -> FloatImage:
        """Grey values for measuring, float64."""
        if self.table is not None:
            entry = np.clip(stored.astype(np.int32) - self.table.first, 0, self.table.entries.size - 1)
            return self.table.entries[entry]
        return self.shown(stored).astype(np.float64)


def read_grey(header: DicomHeader, view: View) -> Grey:
    """Find what the header says about one frame's grey values.

    Parameters
    ----------
    header : DicomHeader
        The file.
    view : View
        Its header for the frame.
    """
    relationship = code(view.find(at.INTENSITY))
    sign = _sign(view)
    warnings = _processing(view)
    low_high = header.format.value_range
    first_turned = header.photometric == "MONOCHROME1"
    lut, found = _table_to_intensity(header, view, relationship)
    if found and lut is None:
        warnings.append(
            "The header's table from grey values to X-ray intensity cannot be used; stored values are kept."
        )
    if lut is not None:
        rising = bool(lut.entries[-1] > lut.entries[0])
        dark = None if sign is None else (sign > 0) == rising
        rule = "stored values through the header's table back to X-ray intensity"
        return Grey(
            inverted=False,
            table=lut,
            value_range=low_high,
            dark_vessels=dark,
            intensity="linear",
            rule=rule,
            warnings=tuple(warnings),
        )
    rule = "stored values, unchanged"
    if first_turned:
        rule = f"stored values, turned about their range {low_high[0]} to {low_high[1]} (MONOCHROME1)"
    if relationship == "LOG" and view.find(at.RESCALE_SLOPE) is not None:
        warnings.append("The header gives a straight rescaling for logarithmic values, which is not applied.")
    dark = None if sign is None else (sign > 0) != first_turned
    if any("subtract" in warning for warning in warnings):
        dark = None
    intensity = "unknown" if header.captured else _INTENSITY.get(relationship, "unknown")
    return Grey(
        inverted=first_turned,
        table=None,
        value_range=low_high,
        dark_vessels=dark,
        intensity=intensity,
        rule=rule,
        warnings=tuple(warnings),
    )


def _sign(view: View) -> int | None:
    """+1 where lower values mean less intensity, -1 where higher ones do, None when not stated (C.8.11.3.1.2)."""
    element = view.find(at.INTENSITY_SIGN)
    try:
        values = numbers(element, at.INTENSITY_SIGN) if element is not None else ()
    except NotANumber:
        return None
    return int(values[0]) if len(values) == 1 and values[0] in (1, -1) else None


def _processing(view: View) -> list[str]:
    """Say what was done to the pixels before they were stored (C.8.19.6.4, C.8.7.1.1.1)."""
    applied = codes(view.find(at.IMAGE_PROCESSING))
    warnings = []
    if "DIGITAL_SUBTR" in applied or "DIGITAL_SUBTR" in codes(view.find(at.IMAGE_TYPE)):
        warnings.append("The frame is already subtracted: its grey values are not X-ray intensities.")
    warnings += [
        f"The frame was stored after {words}, which moves edges: diameters may be biased."
        for term, words in _SHARPENING.items()
        if term in applied
    ]
    return warnings


def _table_to_intensity(header: DicomHeader, view: View, relationship: str) -> tuple[GreyTable | None, bool]:
    """Find the usable table, and whether there is one at all."""
    candidates: list[Mapping[int, Element]] = []
    if relationship in ("LOG", "OTHER"):
        candidates += [
            item for item in view.items(at.INTENSITY_LUT) if code(item.get(at.LUT_FUNCTION.tag)) == "TO_LINEAR"
        ]
    if relationship == "LOG":
        candidates += view.items(at.MODALITY_LUT)
    if not candidates:
        return None, False
    return _read_table(candidates[0], signed=header.format.signed), True


def _read_table(item: Mapping[int, Element], *, signed: bool) -> GreyTable | None:
    """Read a lookup table (C.11.1.1); None when it is damaged, flat, or neither rising nor falling."""
    descriptor, data = item.get(at.LUT_DESCRIPTOR.tag), item.get(at.LUT_DATA.tag)
    if descriptor is None or data is None:
        return None
    try:
        described = numbers(descriptor, at.LUT_DESCRIPTOR)
    except NotANumber:
        return None
    if len(described) != 3:
        return None
    count, first, bits = (int(value) for value in described)
    count = count % 65536 or 65536
    if signed and first > 32767:
        first -= 65536
    words = np.array(table(data), np.float64)
    if bits == 8 and words.size < count <= len(data.value):
        words = np.frombuffer(data.value, np.uint8).astype(np.float64)
    if not 8 <= bits <= 16 or words.size < count or count < 2:
        return None
    entries = words[:count]
    steps = np.diff(entries)
    if entries[0] == entries[-1] or not (np.all(steps >= 0) or np.all(steps <= 0)) or entries.max() >= 2**bits:
        return None
    entries.setflags(write=False)
    return GreyTable(first, entries)
