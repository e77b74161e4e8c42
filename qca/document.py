"""reading.json: a Reading as a document, its strict reading back, and its JSON Schema.

The layout is a contract with other people's scripts: names are added, never renamed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__, codec
from qca.errors import InputError, QcaError
from qca.json_text import parse_json, read_json, write_json
from qca.picks import LIMBS, Picks
from qca.picks_file import PICKS_SCHEMA, picks_from_json, picks_to_json
from qca.reading import Angles, LimbReading, Reading

READING_SCHEMA = "qca.reading/1"

_RENAMED = {"angles": "angles_deg"}
"""Field of `Reading` to key of the document, where they differ."""

_HEAD = ("schema", "software", "caution")


def reading_to_json(reading: Reading) -> dict[str, Any]:
    """Turn a reading into JSON values; unknown numbers become None.

    Parameters
    ----------
    reading : Reading
        What to write.

    Returns
    -------
    dict
        The document: schema, software and caution first, then the reading's fields.
    """
    document: dict[str, Any] = {
        "schema": READING_SCHEMA,
        "software": {"version": __version__, "algorithm_version": ALGORITHM_VERSION},
        "caution": CAUTION,
    }
    for field in dataclasses.fields(Reading):
        value = getattr(reading, field.name)
        document[_RENAMED.get(field.name, field.name)] = (
            picks_to_json(value) if isinstance(value, Picks) else codec.encode(value)
        )
    return document


def reading_text(reading: Reading) -> str:
    """Write a reading as the text of reading.json; the same reading always gives the same text."""
    return write_json(reading_to_json(reading))


def reading_from_json(document: object, *, name: str = "reading") -> Reading:
    """Build a reading from JSON values.

    Parameters
    ----------
    document : object
        What `reading_to_json` returns, or the same read from a file.
    name : str
        What to call it in a message.

    Returns
    -------
    Reading
        Arrays are read-only; null numbers are NaN.

    Raises
    ------
    InputError
        If it is not a reading, or a number cannot be one of a reading: says where, what stood there and what should.
    """
    if not isinstance(document, Mapping) or "schema" not in document:
        msg = f"{name} is not a reading: it has no key 'schema' that says {READING_SCHEMA!r}."
        raise InputError(msg, file=name)
    if document["schema"] != READING_SCHEMA:
        advice = "give the reading.json that  qca measure --out DIR  writes"
        if document["schema"] == PICKS_SCHEMA:
            advice = f"picks become one by  qca measure FRAME --picks {name} --out DIR"
        msg = f"{name} is {document['schema']!r}; this program reads {READING_SCHEMA!r} here: {advice}."
        raise InputError(msg, file=name)
    try:
        fields = _fields_of(document)
        codec.decode(Angles | None, fields.get("angles"), path="angles_deg", name=name)  # as the document calls it
        fields["picks"] = picks_to_json(picks_from_json(document.get("picks"), name=f"{name}, picks"))
        reading: Reading = codec.decode_fields(Reading, fields, path="", name=name)
        _check_limbs(reading.limbs, name=name)
    except QcaError as error:
        msg = f"{error}{_newer(document)}"
        raise InputError(msg, file=name) from error
    return reading


def read_reading(path: Path) -> Reading:
    """Read reading.json.

    Raises
    ------
    InputError
        If the file cannot be read or is not a reading.
    """
    return reading_from_json(read_json(path), name=path.name)


def parse_reading(text: str | bytes, *, name: str = "reading") -> Reading:
    """Build a reading from the text of reading.json.

    Raises
    ------
    InputError
        If the text is not a reading.
    """
    return reading_from_json(parse_json(text, name=name), name=name)


def reading_schema() -> dict[str, Any]:
    """Build the JSON Schema (draft 2020-12) of reading.json from the types."""
    hints = codec.hints_of(Reading)
    properties: dict[str, Any] = {
        "schema": {"const": READING_SCHEMA},
        "software": {
            "type": "object",
            "properties": {"version": {"type": "string"}, "algorithm_version": {"type": "string"}},
            "required": ["version", "algorithm_version"],
        },
        "caution": {"type": "string"},
    }
    for field, hint in hints.items():
        properties[_RENAMED.get(field, field)] = codec.schema(hint, field=field)
    limb = codec.schema(LimbReading)
    properties["limbs"] = {
        "oneOf": [
            {
                "type": "object",
                "properties": {key: {"$ref": "#/$defs/limb"} for key in names},
                "required": list(names),
                "additionalProperties": False,
            }
            for names in (LIMBS, ("segment",))
        ]
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:qca:reading:1",
        "title": "One measured angiogram frame",
        "description": "Lengths in stored pixels (_px) and mm (_mm); sd: one standard deviation; null: unknown.",
        "type": "object",
        "properties": properties,
        "required": [*_HEAD, *(_RENAMED.get(field, field) for field in hints)],
        "additionalProperties": False,
        "$defs": {"limb": limb},
    }


def _fields_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """Undo the renaming and take off the head."""
    back = {key: field for field, key in _RENAMED.items()}
    return {back.get(key, key): value for key, value in document.items() if key not in _HEAD}


def _check_limbs(limbs: Mapping[str, LimbReading], *, name: str) -> None:
    """Ask for a bifurcation's three limbs or one segment, and for as many values as positions in each profile."""
    if tuple(sorted(limbs)) not in (tuple(sorted(LIMBS)), ("segment",)):
        msg = f"{name}: limbs must be proximal, distal and side, or segment alone, not {', '.join(limbs) or 'none'}."
        raise InputError(msg, file=name)
    for limb, reading in limbs.items():
        size = len(reading.profile.position_px)
        for field in dataclasses.fields(reading.profile):
            found = len(getattr(reading.profile, field.name))
            if found != size:
                msg = f"{name}: limbs.{limb}.profile.{field.name} has {found} values for {size} positions."
                raise InputError(msg, file=name)


def _newer(document: Mapping[str, Any]) -> str:
    """Say so when another version of the program wrote the document."""
    software = document.get("software")
    version = software.get("version") if isinstance(software, Mapping) else None
    if version in (None, __version__):
        return ""
    return f" It was written by version {version}; this is {__version__}."
