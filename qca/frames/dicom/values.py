"""Values of DICOM elements as numbers and code strings, read without trust.

A decimal or integer string is a number only if it is written as one (PS3.5 section 6.2): "0,2", "0.2 mm", "nan" and
"1e999" are not. Text that comes from the file is shown in a message only where it consists of the characters of a
number, because a damaged element may hold anything, a name included.
"""

from __future__ import annotations

import math
import re
import struct

from qca.frames.dicom.attributes import Attribute
from qca.frames.dicom.elements import Element

_DECIMAL = re.compile(rb"[+-]?(\d{1,40}(\.\d{0,40})?|\.\d{1,40})([eE][+-]?\d{1,3})?")
_INTEGER = re.compile(rb"[+-]?\d{1,12}(\.0{0,12})?")
_SHOWABLE = re.compile(rb"[0-9+\-.,eE\\ ]{1,40}|[+-]?(nan|inf|infinity)", re.IGNORECASE)
_CODE = re.compile(rb"[A-Z0-9_ ]{1,16}")
_IDENTIFIER = re.compile(rb"[0-9.]{1,64}")

_BINARY = {"US": "H", "SS": "h", "UL": "I", "SL": "i", "FL": "f", "FD": "d", "UV": "Q", "SV": "q", "OV": "Q"}


class NotANumber(ValueError):
    """A value that is not what its representation says; the message is fit to be shown."""


def numbers(element: Element, attribute: Attribute) -> tuple[float, ...]:
    """Read an element's values as finite numbers.

    Parameters
    ----------
    element : Element
        What the file holds.
    attribute : Attribute
        What it should be; the file's own representation goes before where it is one of numbers.

    Returns
    -------
    tuple of float
        Empty when the element is empty.

    Raises
    ------
    NotANumber
        If a value is no finite number.
    """
    vr = element.vr if element.vr in _BINARY or element.vr in ("DS", "IS") else attribute.vr
    raw = element.value
    if vr in ("DS", "IS"):
        return _text_numbers(raw, _DECIMAL if vr == "DS" else _INTEGER)
    letter = _BINARY[vr]
    size = struct.calcsize(letter)
    if len(raw) % size:
        msg = f"{len(raw)} bytes that are not a row of numbers"
        raise NotANumber(msg)
    values = struct.unpack(f"{element.coding.order}{len(raw) // size}{letter}", raw)
    if not all(math.isfinite(value) for value in values):
        msg = " and ".join(f"{value:g}" for value in values[:4])
        raise NotANumber(msg)
    return tuple(float(value) for value in values)


def _text_numbers(raw: bytes, pattern: re.Pattern[bytes]) -> tuple[float, ...]:
    raw = raw.rstrip(b"\0 ").lstrip(b" ")
    if not raw:
        return ()
    values = []
    for part in raw.split(b"\\"):
        text = part.strip(b" \0")
        value = float(text) if pattern.fullmatch(text) else math.nan
        if not math.isfinite(value):
            raise NotANumber(f"'{raw.decode('ascii')}'" if _SHOWABLE.fullmatch(raw) else "text")
        values.append(value)
    return tuple(values)


def codes(element: Element | None) -> tuple[str, ...]:
    """Code strings of an element; a value with characters that no code string has becomes empty text."""
    if element is None:
        return ()
    parts = (part.strip(b" \0") for part in element.value.split(b"\\"))
    return tuple(part.decode("ascii") if _CODE.fullmatch(part) else "" for part in parts)


def code(element: Element | None) -> str:
    """First code string of an element; empty when absent or unusable."""
    found = codes(element)
    return found[0] if found else ""


def identifier(element: Element | None) -> str:
    """Read a unique identifier; empty when absent or not one."""
    text = element.value.rstrip(b"\0 ") if element is not None else b""
    return text.decode("ascii") if _IDENTIFIER.fullmatch(text) else ""


def table(element: Element) -> tuple[int, ...]:
    """Entries of a lookup table, as unsigned 16-bit words."""
    raw = element.value[: len(element.value) // 2 * 2]
    return struct.unpack(f"{element.coding.order}{len(raw) // 2}H", raw)
