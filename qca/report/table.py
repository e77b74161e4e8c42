"""A reading as a table for the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from qca import CAUTION
from qca.report.digits import digits
from qca.report.limb_angles import limb_angles
from qca.report.palette import INKS
from qca.report.plain import plain
from qca.report.quantities import QUANTITIES, Quantity, in_millimetres
from qca.report.remarks import Remark, doubts, remarks, touching
from qca.report.scale_words import NO_SCALE, NO_SCALE_ADVICE, scale_text

if TYPE_CHECKING:
    from qca.reading import LimbReading, Reading

_WIDTH = 96
_TITLE_WIDTH = 36
_COLUMN_WIDTH = 20
_LONGEST_NAME = 60
_MARK = " !"
"""Follows a number that cannot be trusted; every other cell leaves its place free, so that the digits align."""


def text_table(reading: Reading) -> str:
    """Write the numbers of a reading for a terminal at most 96 columns wide.

    Parameters
    ----------
    reading : Reading
        The reading.

    Returns
    -------
    str
        Limbs with SD and 95 % intervals, angles, Medina code with distance to the threshold and probability, scale,
        flags, caution. ``!`` follows a number that cannot be trusted. No colours or control characters; ends with a
        newline.
    """
    found = remarks(reading)
    kind = "segment" if "segment" in reading.limbs else "bifurcation"
    lines = [f"Reading of a {kind}: {plain(reading.frame.file, _LONGEST_NAME)}, frame {reading.frame.index}", ""]
    lines += _limb_lines(reading, found)
    lines += ["", *_wrap(f"Scale: {scale_text(reading)}")]
    if not in_millimetres(reading):
        lines += _wrap(NO_SCALE) + _wrap(NO_SCALE_ADVICE)
    lines += _angle_lines(reading, found)
    lines += _medina_lines(reading, found)
    lines += ["", *_remark_lines(found), "", *_wrap(CAUTION)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _limb_lines(reading: Reading, found: tuple[Remark, ...]) -> list[str]:
    in_mm = in_millimetres(reading)
    limbs = reading.limbs
    rule = "-" * (_TITLE_WIDTH + _COLUMN_WIDTH * len(limbs))
    lines = [_columns("value ± 1 SD; 95 % interval below", [INKS[name].title.lower() for name in limbs])]
    if any(limb.edited for limb in limbs.values()):
        lines.append(_columns("", ["edited by hand" if limb.edited else "" for limb in limbs.values()]))
    lines.append(rule)
    for quantity in QUANTITIES:
        lines.append(
            _columns(
                f"{quantity.title}, {quantity.unit(in_mm=in_mm)}",
                [_cell(quantity, name, limb, found, in_mm=in_mm) for name, limb in limbs.items()],
            )
        )
        if quantity.has_sd:
            lines.append(_columns("", [quantity.of(limb, in_mm=in_mm).interval_text for limb in limbs.values()]))
    lines.append(rule)
    for name, limb in limbs.items():
        lines += _wrap(f"{INKS[name].title} RVD: {plain(limb.reference_source)}")
    return lines


def _cell(quantity: Quantity, name: str, limb: LimbReading, found: tuple[Remark, ...], *, in_mm: bool) -> str:
    number = quantity.of(limb, in_mm=in_mm)
    text = number.value_text
    if number.sd_text:
        text += f" ± {number.sd_text}" if number.sd_text[0].isdigit() or number.sd_text[0] == "<" else " ± ?"
    return text + (_MARK if number.known and doubts(found, quantity, name, in_mm=in_mm and not number.instead) else "")


def _columns(title: str, cells: list[str]) -> str:
    return f"{title:<{_TITLE_WIDTH}}" + "".join(
        f"{cell if cell.endswith(_MARK) else cell + ' ' * len(_MARK):>{_COLUMN_WIDTH}}" for cell in cells
    )


def _angle_lines(reading: Reading, found: tuple[Remark, ...]) -> list[str]:
    angles = limb_angles(reading)
    if not angles:
        return []
    mark = _MARK if touching(found, "angles") else ""
    lines = ["", "Angles, ± 1 SD"]
    lines += [f"  {a.letter}  {' - '.join(a.between):<20}{a.value.text}{mark}" for a in angles]
    return lines


def _medina_lines(reading: Reading, found: tuple[Remark, ...]) -> list[str]:
    if reading.medina is None:
        return []
    mark = _MARK if touching(found, "medina", *reading.limbs) else ""
    threshold = reading.medina.threshold_percent
    lines = ["", f"Medina {plain(reading.medina.code)}{mark}   (1 from {threshold:g} % diameter stenosis)"]
    lines += [
        f"  {d.title.lower():<10}{d.digit}   {d.distance_text:<20}probability of 1: {d.probability_text:<10}{d.verdict}"
        for d in digits(reading)
    ]
    return lines


def _remark_lines(found: tuple[Remark, ...]) -> list[str]:
    if not found:
        return _wrap("Flags: none. Compare the contours with the vessel in report.html before using the numbers.")
    lines = ["Flags"]
    for remark in found:
        mark = " (! number not reliable)" if remark.untrusted else ""
        lines += _wrap(f"{remark.label} {remark.name}, {remark.place}{mark}: {remark.text}", indent="  ")
        lines += _wrap(f"What to do: {remark.advice}", indent="     ")
    return lines


def _wrap(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent)
