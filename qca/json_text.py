"""JSON text: strict when read, readable and repeatable when written."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

from qca.errors import InputError

MAX_BYTES = 64 * 1024 * 1024
"""A document larger than this is not one of ours: a reading is some 100 kB."""

_INLINE_WIDTH = 110
_LONGEST_INTEGER = 18


def read_json(path: Path) -> object:
    """Read one JSON document.

    Parameters
    ----------
    path : Path
        A UTF-8 file, with or without a byte order mark.

    Returns
    -------
    object
        What ``json`` makes of it; numbers are finite, keys unique.

    Raises
    ------
    InputError
        If the file cannot be read or is not strict JSON: says which file, line and column.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        msg = f"Cannot read {path} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=path.name) from error
    if len(data) > MAX_BYTES:
        msg = f"{path.name} is larger than {MAX_BYTES // 1024**2} MB: it is no document of this program."
        raise InputError(msg, file=path.name)
    return parse_json(data, name=path.name)


def parse_json(data: bytes | str, *, name: str) -> object:
    """Parse strict JSON: no NaN or Infinity, no key twice.

    Parameters
    ----------
    data : bytes or str
        The text.
    name : str
        What to call it in a message.

    Raises
    ------
    InputError
        If it is not strict JSON.
    """
    try:
        text = data.decode("utf-8-sig") if isinstance(data, bytes) else data
        return json.loads(
            text, parse_constant=_refuse_constant, parse_float=_finite, parse_int=_short, object_pairs_hook=_unique
        )
    except UnicodeDecodeError as error:
        msg = f"{name} is not UTF-8 text (byte {error.start}): save it as UTF-8."
        raise InputError(msg, file=name) from error
    except json.JSONDecodeError as error:
        msg = f"{name} is not JSON ({error.msg} at line {error.lineno}, column {error.colno}): check which file it is."
        raise InputError(msg, file=name) from error
    except RecursionError as error:
        msg = f"{name} is nested too deeply to be a document of this program."
        raise InputError(msg, file=name) from error
    except _NotStrictError as error:
        msg = f"{name} {error}."
        raise InputError(msg, file=name) from error


class _NotStrictError(ValueError):
    """JSON that Python would take and the standard does not, or that means two things."""


def _refuse_constant(word: str) -> NoReturn:
    msg = f"holds {word}, which is not JSON: write null for an unknown number"
    raise _NotStrictError(msg)


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        msg = f"holds the number {digits[:20]}, which is too large to be meant"
        raise _NotStrictError(msg)
    return value


def _short(digits: str) -> int:
    if len(digits) > _LONGEST_INTEGER:
        msg = f"holds an integer of {len(digits)} digits, which is too large to be meant"
        raise _NotStrictError(msg)
    return int(digits)


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for key, value in pairs:
        if key in result:
            msg = f"has the key {key!r} twice: keep one"
            raise _NotStrictError(msg)
        result[key] = value
    return result


def write_json(value: object) -> str:
    """Write JSON for people and programs: objects one key per line, rows of numbers on one line.

    The same value always gives the same text, and every float survives the way out and back.

    Raises
    ------
    ValueError
        If a number is not finite; the caller turns those into ``None``.
    """
    return _write(value, 0) + "\n"


def _write(value: object, depth: int) -> str:
    if not isinstance(value, (Mapping, list)) or not value:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    if isinstance(value, list) and not any(isinstance(item, Mapping) for item in value):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    if isinstance(value, Mapping):
        parts = [f"{json.dumps(key)}: {_write(item, depth + 1)}" for key, item in value.items()]
        left, right = "{}"
    else:
        parts = [_write(item, depth + 1) for item in value]
        left, right = "[]"
    line = left + ", ".join(parts) + right
    # what stands inside on a line of its own is longer than a line already
    if depth > 0 and len(line) + 2 * depth <= _INLINE_WIDTH and "\n" not in line:
        return line
    inner = "\n" + "  " * (depth + 1)
    return left + inner + f",{inner}".join(parts) + "\n" + "  " * depth + right
