"""Frozen dataclasses <-> JSON values, driven by the fields' types; and the JSON Schema of the same types.

One walk over the type hints serves writing, strict reading and the schema, so the three cannot drift apart. Numbers
that are not finite are written as null and read back as NaN.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import types
import typing
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from qca.bounds import BOUNDS
from qca.errors import InputError

POINT_FIELDS = frozenset({"left_px", "right_px", "catheter_left_px", "catheter_right_px", "line_px"})
"""Arrays of shape (N, 2); all other arrays are (N,)."""


def encode(value: Any) -> Any:  # noqa: ANN401 - one case per kind of value
    """Turn a value of our types into JSON values.

    Raises
    ------
    TypeError
        If a value of no known kind is inside.
    """
    if value is None or isinstance(value, (str, bool)):
        return value
    if isinstance(value, (np.bool_, np.integer, np.floating)):
        return encode(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, np.ndarray):
        # at once where nothing is unknown: a profile has thousands of numbers
        known = value.dtype.kind in "fiub" and bool(np.isfinite(value).all())
        return value.tolist() if known else encode(value.tolist())
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: encode(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): encode(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [encode(item) for item in value]
    msg = f"cannot write a value of type {type(value).__name__} into JSON"
    raise TypeError(msg)


def decode(kind: Any, value: object, *, path: str, name: str) -> Any:  # noqa: ANN401
    """Build a value of the type ``kind`` from JSON values.

    Parameters
    ----------
    kind : type
        A type hint: a dataclass, a scalar, ``X | None``, a tuple, a mapping, a ``Literal`` or an array.
    value : object
        JSON value.
    path : str
        Where in the document, for messages, e.g. ``"limbs.side.mld_mm"``.
    name : str
        The document, for messages.

    Raises
    ------
    InputError
        If the value is not of that type; the message says where, what stood there, and what should.
    """
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        if value is None:
            return None
        (inner,) = (item for item in arguments if item is not type(None))
        return decode(inner, value, path=path, name=name)
    if kind is object:
        return freeze(value)
    if dataclasses.is_dataclass(kind):
        return decode_fields(kind, value, path=path, name=name)
    if origin is Literal:
        if value not in arguments:
            raise _wrong(name, path, value, "one of " + ", ".join(map(repr, arguments)))
        return value
    if kind is float:
        return _number(value, path=path, name=name)
    if kind in (int, str, bool):
        return _plain(kind, value, path=path, name=name)
    if origin is np.ndarray:
        return _array(value, path=path, name=name)
    if origin is tuple:
        return _tuple(arguments, value, path=path, name=name)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        entries = _object(value, path=path, name=name)
        inner = arguments[1]
        return MappingProxyType(
            {key: decode(inner, item, path=f"{path}.{key}", name=name) for key, item in entries.items()}
        )
    msg = f"{path}: no rule for the type {kind!r}"
    raise TypeError(msg)


def decode_fields(kind: Any, value: object, *, path: str, name: str) -> Any:  # noqa: ANN401
    """Build a dataclass from a JSON object: every key known, every field without default present."""
    entries = _object(value, path=path, name=name)
    hints = hints_of(kind)
    for key in entries:
        if key not in hints:
            raise _unknown(name, path, key, hints)
    chosen: dict[str, Any] = {}
    for field in dataclasses.fields(kind):
        where = f"{path}.{field.name}" if path else field.name
        if field.name in entries:
            chosen[field.name] = decode(hints[field.name], entries[field.name], path=where, name=name)
            _check_bound(kind, field.name, chosen[field.name], path=where, name=name)
        elif not _has_default(field):
            msg = f"{name}: {where} is missing; the file is incomplete or was made by another program."
            raise InputError(msg, file=name)
    try:
        return kind(**chosen)
    except ValueError as error:
        msg = f"{name}: {path or 'the document'} cannot be used: {error}."
        raise InputError(msg, file=name) from error


def hints_of(kind: Any) -> Mapping[str, Any]:  # noqa: ANN401
    """Field name to type hint of a dataclass."""
    return _hints(kind)


@lru_cache(maxsize=128)
def _hints(kind: type) -> Mapping[str, Any]:
    return MappingProxyType(typing.get_type_hints(kind))


def freeze(value: object) -> object:
    """Make a free JSON value read-only: mappings become proxies, lists become tuples."""
    if isinstance(value, Mapping):
        return MappingProxyType({key: freeze(item) for key, item in value.items()})
    if isinstance(value, (list, tuple)):
        return tuple(freeze(item) for item in value)
    return value


def schema(kind: Any, *, field: str = "", complete: bool = True) -> dict[str, Any]:  # noqa: ANN401
    """Build the JSON Schema (draft 2020-12) of a type hint.

    Parameters
    ----------
    kind : type
        A type hint, as for `decode`.
    field : str
        The field's name; tells arrays of points from arrays of numbers.
    complete : bool
        Every field is required, as in what we write; else only fields without a default, as in what people write.
    """
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        (inner,) = (item for item in arguments if item is not type(None))
        return {"anyOf": [schema(inner, field=field, complete=complete), {"type": "null"}]}
    if kind is object:
        return {}
    if dataclasses.is_dataclass(kind):
        hints = hints_of(kind)
        return {
            "type": "object",
            "properties": {
                key: _bounded(kind, key, schema(hint, field=key, complete=complete)) for key, hint in hints.items()
            },
            "required": [item.name for item in dataclasses.fields(kind) if complete or not _has_default(item)],
            "additionalProperties": False,
        }
    if origin is Literal:
        return {"enum": list(arguments)}
    if kind is float:
        return {"type": ["number", "null"]}
    if kind in (int, str, bool):
        return {"type": {int: "integer", str: "string", bool: "boolean"}[kind]}
    if origin is np.ndarray:
        number = {"type": ["number", "null"]}
        point = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
        return {"type": "array", "items": point if field in POINT_FIELDS else number}
    if origin is tuple:
        if len(arguments) == 2 and arguments[1] is Ellipsis:
            return {"type": "array", "items": schema(arguments[0], complete=complete)}
        size = len(arguments)
        return {
            "type": "array",
            "prefixItems": [schema(item, complete=complete) for item in arguments],
            "minItems": size,
            "maxItems": size,
        }
    return {"type": "object", "additionalProperties": schema(arguments[1], complete=complete)}


def _check_bound(kind: type, field: str, value: object, *, path: str, name: str) -> None:
    """Refuse a number, or one of a list, that cannot be what the field says."""
    bound = BOUNDS.get(kind, {}).get(field)
    if bound is None or value is None:
        return
    many = isinstance(value, (np.ndarray, tuple))
    numbers = np.asarray(value, dtype=np.float64).ravel()
    for index in np.flatnonzero(~bound.holds(numbers))[:1]:
        wrong = _wrong(name, f"{path}[{index}]" if many else path, float(numbers[index]), bound.words())
        msg = f"{wrong} No measurement gives that: take the file as it was written, or measure the frame again."
        raise InputError(msg, file=name)


def _bounded(kind: Any, field: str, found: dict[str, Any]) -> dict[str, Any]:  # noqa: ANN401
    """Add what is always true of a field to its schema."""
    bound = BOUNDS.get(kind, {}).get(field)
    if bound is None:
        return found
    if "prefixItems" in found:
        return {**found, "prefixItems": [{**item, **bound.keywords()} for item in found["prefixItems"]]}
    if "items" in found:
        return {**found, "items": {**found["items"], **bound.keywords()}}
    return {**found, **bound.keywords()}


def _has_default(field: dataclasses.Field[Any]) -> bool:
    return field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING


def _number(value: object, *, path: str, name: str) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _wrong(name, path, value, "a number, or null where it is unknown")
    return float(value)


def _plain(kind: type, value: object, *, path: str, name: str) -> object:
    if type(value) is not kind:
        words = {int: "a whole number", str: "a text", bool: "true or false"}
        raise _wrong(name, path, value, words[kind])
    return value


_NUMBERS = {float, int}
"""Types of which a list needs no look at every item."""


def _array(value: object, *, path: str, name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    if not isinstance(value, list):
        raise _wrong(name, path, value, "a list")
    points = path.rpartition(".")[2] in POINT_FIELDS
    numbers: list[Any] = []
    if not points and set(map(type, value)) <= _NUMBERS:
        numbers = value  # at once, as most are
    else:
        for index, item in enumerate(value):
            where = f"{path}[{index}]"
            if points:
                if not isinstance(item, list) or len(item) != 2:
                    raise _wrong(name, where, item, "a point [x, y]")
                numbers.append([_number(part, path=where, name=name) for part in item])
            else:
                numbers.append(_number(item, path=where, name=name))
    array = np.array(numbers, dtype=np.float64).reshape((-1, 2) if points else (-1,))
    array.flags.writeable = False
    return array


def _tuple(arguments: tuple[Any, ...], value: object, *, path: str, name: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _wrong(name, path, value, "a list")
    if len(arguments) == 2 and arguments[1] is Ellipsis:
        kinds = (arguments[0],) * len(value)
    elif len(value) != len(arguments):
        raise _wrong(name, path, value, f"a list of {len(arguments)}")
    else:
        kinds = arguments
    return tuple(
        decode(kind, item, path=f"{path}[{index}]", name=name)
        for index, (kind, item) in enumerate(zip(kinds, value, strict=True))
    )


def _object(value: object, *, path: str, name: str) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise _wrong(name, path, value, "an object with keys")
    return value


def _wrong(name: str, path: str, value: object, expected: str) -> InputError:
    shown = repr(value)
    if len(shown) > 60:
        shown = shown[:57] + "..."
    return InputError(f"{name}: {path or 'the document'} must be {expected}, not {shown}.", file=name)


def _unknown(name: str, path: str, key: str, known: Mapping[str, object]) -> InputError:
    near = difflib.get_close_matches(key, known, n=1)
    hint = f"did you mean {near[0]!r}?" if near else "known are " + ", ".join(known) + "."
    where = f" in {path}" if path else ""
    return InputError(f"{name}: unknown key {key!r}{where}; {hint}", file=name)
