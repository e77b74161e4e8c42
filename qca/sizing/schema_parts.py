"""Building blocks of the JSON Schemas (draft 2020-12) of this wing."""

from __future__ import annotations

from typing import Any

from qca.sizing.case import TECHNIQUE_IDS
from qca.sizing.needs import ROLES

Schema = dict[str, Any]

NUMBER: Schema = {"type": ["number", "null"]}
TEXT: Schema = {"type": "string"}
MAYBE_TEXT: Schema = {"type": ["string", "null"]}
BOOLEAN: Schema = {"type": "boolean"}
COUNT: Schema = {"type": "integer"}
VERDICT: Schema = {"enum": ["fits", "borderline", "does_not_fit", "cannot_tell"]}
LIMB: Schema = {"enum": ["proximal", "distal", "side"]}
TECHNIQUE: Schema = {"enum": list(TECHNIQUE_IDS)}
ROLE: Schema = {"enum": list(ROLES)}


def document_schema(identity: str, title: str, schema: str, properties: Schema) -> Schema:
    """Build the schema of a document with its head."""
    head = {
        "schema": {"const": schema},
        "software": object_of({"version": TEXT, "algorithm_version": TEXT}),
        "caution": TEXT,
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": identity,
        "title": title,
        "description": "Lengths in mm, angles in degrees; sd: one standard deviation; null: unknown.",
        **object_of({**head, **properties}),
    }


def object_of(properties: Schema) -> Schema:
    """Describe an object whose keys are all there and no others."""
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def list_of(items: Schema) -> Schema:
    """Describe a list."""
    return {"type": "array", "items": items}


def map_of(values: Schema) -> Schema:
    """Describe an object with free keys."""
    return {"type": "object", "additionalProperties": values}


def maybe(schema: Schema) -> Schema:
    """Allow null as well."""
    return {"anyOf": [schema, {"type": "null"}]}


def limbs_of(limb: Schema) -> Schema:
    """Describe an object with one entry per limb."""
    return object_of(dict.fromkeys(("proximal", "distal", "side"), limb))


def length_of(name: str) -> Schema:
    """Describe a length and its SD as two keys."""
    return {f"{name}_mm": NUMBER, f"{name}_sd_mm": NUMBER}


FRAME = object_of({"file": TEXT, "sha256": TEXT, "index": COUNT})
FLAG_LIST = list_of(object_of({"code": TEXT, "where": TEXT, "message": TEXT, "untrusted": BOOLEAN}))
