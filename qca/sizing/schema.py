"""JSON Schemas (draft 2020-12) of worksheet.json and of override files."""

from __future__ import annotations

import dataclasses

from qca.sizing.assumptions import Assumptions
from qca.sizing.case import TECHNIQUE_IDS, Case
from qca.sizing.document import WORKSHEET_SCHEMA
from qca.sizing.overrides import NO_OVERRIDES
from qca.sizing.rule_table import RULES
from qca.sizing.schema_parts import (
    BOOLEAN,
    COUNT,
    FLAG_LIST,
    FRAME,
    LIMB,
    MAYBE_TEXT,
    NUMBER,
    ROLE,
    TECHNIQUE,
    TEXT,
    VERDICT,
    Schema,
    document_schema,
    length_of,
    limbs_of,
    list_of,
    map_of,
    maybe,
    object_of,
)


def worksheet_schema() -> Schema:
    """Build the schema of worksheet.json."""
    laws = {"law": TEXT, "concerns": list_of(TEXT)}
    return document_schema(
        "urn:qca:worksheet:1",
        "Sizing rules applied to one reading",
        WORKSHEET_SCHEMA,
        {
            "decision": TEXT,
            "reading": object_of({
                "file": MAYBE_TEXT, "sha256": MAYBE_TEXT, "frame": FRAME,
                "scale": object_of({"mm_per_px": NUMBER, "relative_sd": NUMBER, "source": TEXT}),
            }),
            "case": object_of({"origin": maybe(object_of({"file": TEXT, "sha256": TEXT})),
                             **{field.name: {} for field in dataclasses.fields(Case)}}),
            "devices": object_of({"file": MAYBE_TEXT, "sha256": MAYBE_TEXT, "number": COUNT, "fixed": map_of(TEXT)}),
            "rules": object_of({
                "file": MAYBE_TEXT, "sha256": MAYBE_TEXT, "thresholds": map_of(NUMBER),
                "plan": object_of({
                    field.name: object_of({"value": NUMBER, "unit": TEXT, "meaning": TEXT, "source": TEXT,
                                         "changed": BOOLEAN})
                    for field in dataclasses.fields(Assumptions)
                }),
            }),
            "conflicts": list_of(object_of({"role": ROLE, "label": TEXT, "text": TEXT, "techniques": list_of(TECHNIQUE),
                                        "surely": BOOLEAN})),
            "measured": object_of({
                "limbs": limbs_of(_measured_limb()),
                "angles_deg": object_of({key: NUMBER for name in "ABC" for key in (name, f"sd_{name}")}),
                "medina": TEXT,
            }),
            "laws": object_of({
                "proximal_from_daughters": list_of(object_of({
                    **laws, **length_of("predicted"), **length_of("difference"), "deviation_sd": NUMBER,
                    "verdict": {"enum": ["agrees", "contradicts", "refused", "cannot_tell"]},
                })),
                "reference_from_other_limbs": limbs_of(object_of({**laws, **length_of("reference")})),
                "contradiction": TEXT,
            }),
            "lesion": object_of({"consensus": TEXT, "rules": list_of(_rule())}),
            "geometry": _geometry(),
            "technique": maybe(TECHNIQUE),
            "techniques": list_of(_technique()),
            "sizes": list_of(_size()),
            "steps": object_of(dict.fromkeys(TECHNIQUE_IDS, list_of(_step()))),
            "flags": FLAG_LIST,
        },
    )  # fmt: skip


def overrides_schema() -> Schema:
    """Build the schema of an override file, as the values its TOML has."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:qca:rules:1",
        "title": "Changed thresholds and planning numbers",
        "type": "object",
        "properties": {
            "thresholds": {
                "type": "object",
                "properties": {key: {"type": "number", "description": rule.text, "default": rule.threshold}
                               for key, rule in NO_OVERRIDES.rules().items()},
                "additionalProperties": False,
            },
            "plan": {
                "type": "object",
                "properties": {
                    field.name: {"type": "number", "description": field.metadata["meaning"], "default": field.default}
                    for field in dataclasses.fields(Assumptions)
                },
                "additionalProperties": False,
            },
        },
        "additionalProperties": False,
    }  # fmt: skip


def _measured_limb() -> Schema:
    numbers = ("reference_random_sd_mm", "ds_percent", "ds_sd_percent", "lesion_start_mm", "lesion_end_mm", "traced_mm")
    return object_of(
        {
            **length_of("reference"),
            **length_of("mld"),
            **length_of("lesion_length"),
            **dict.fromkeys(numbers, NUMBER),
            "reference_source": TEXT,
            "held_back": TEXT,
            "reference_derived": BOOLEAN,
            "outline": object_of({"position_mm": list_of(NUMBER), "diameter_mm": list_of(NUMBER)}),
        }
    )


def _rule() -> Schema:
    return object_of(
        {
            "id": {"enum": list(RULES)},
            "statement": TEXT,
            **dict.fromkeys(("value", "sd", "threshold", "margin", "probability"), NUMBER),
            "unit": TEXT,
            "verdict": VERDICT,
            "source": TEXT,
            "direction": {"enum": ["at_least", "above", "at_most", "below"]},
            "weight": {"enum": ["limit", "limit_if_said", "guidance", "guidance_needed", "context"]},
            "holds": {"type": ["boolean", "null"]},
            **dict.fromkeys(("missing", "device", "note", "held_back"), TEXT),
        }
    )


def _geometry() -> Schema:
    ostium = ("long_axis_mm", "short_axis_mm", "area_mm2", "perimeter_mm", "area_equivalent_mm", "saddle_depth_mm")
    kissing = ("area_mm2", "long_axis_mm", "short_axis_mm", "elongation", "two_thirds_of_sum_mm")
    return object_of(
        {
            **length_of("proximal_minus_distal"),
            "ostium": object_of(dict.fromkeys(ostium, NUMBER)),
            **length_of("slant"),
            "bent_slant_mm": NUMBER,
            "kissing": maybe(
                object_of(
                    {
                        **length_of("perimeter"),
                        **length_of("perimeter_equivalent"),
                        **length_of("area_equivalent"),
                        **dict.fromkeys(kissing, NUMBER),
                        "two_thirds_note": TEXT,
                    }
                )
            ),
            "kissing_stretch": NUMBER,
            "kissing_stretch_sd": NUMBER,
        }
    )


def _technique() -> Schema:
    segment = object_of(
        {
            "from_mm": NUMBER,
            "to_mm": NUMBER,
            "layers": COUNT,
            "layers_elsewhere": COUNT,
            "in_lumen": COUNT,
            "where": TEXT,
            "stents": list_of(ROLE),
        }
    )
    stent = {"role": ROLE, "limb": LIMB, "device": MAYBE_TEXT, "proximal_mm": NUMBER, "daughter_mm": NUMBER,
             "shape_in_proximal": {"enum": ["tube", "crushed", "standing"]}, "must_reach": LIMB}  # fmt: skip
    crossing = {"role": ROLE, "device": MAYBE_TEXT, "limb": LIMB, **length_of("reference"), "nominal_mm": NUMBER,
                "expansion_ratio": NUMBER, **length_of("gap"), "expansion_used": NUMBER}  # fmt: skip
    return object_of(
        {
            "id": TECHNIQUE,
            "name": TEXT,
            "idea": TEXT,
            "verdict": VERDICT,
            "because": list_of({"enum": list(RULES)}),
            "open": list_of(TEXT),
            "rules": list_of(_rule()),
            "strut_layers": object_of(
                {**dict.fromkeys(("proximal", "distal", "side"), list_of(segment)), "most": COUNT}
            ),
            "geometry": object_of(
                {
                    "order": list_of(ROLE),
                    "entered_limb": LIMB,
                    "crossed_stent": ROLE,
                    "side_more_angulated_probability": NUMBER,
                    "stents": list_of(object_of(stent)),
                    "crossings": list_of(object_of(crossing)),
                    "overlap_mm": NUMBER,
                    **length_of("bare_ostium"),
                    **length_of("new_carina"),
                    "least_proximal_mm": NUMBER,
                    **length_of("gap_before_optimisation"),
                    **length_of("kissing_ring"),
                    **dict.fromkeys(("kissing_stretch", "kissing_stretch_sd"), NUMBER),
                }
            ),
        }
    )


def _size() -> Schema:
    numbers = ("target_mm", "target_sd_mm", "low_mm", "high_mm", "must_reach_mm", "length_high_mm")
    fit = dict.fromkeys(("nominal_mm", "length_mm", "ratio", "ratio_sd", "expansion_used", "probability"), NUMBER)
    return object_of(
        {
            "role": ROLE,
            "name": TEXT,
            "techniques": list_of(TECHNIQUE),
            "limb": LIMB,
            **dict.fromkeys(numbers, NUMBER),
            **length_of("length"),
            "length_note": TEXT,
            "held_back": TEXT,
            "rule": TEXT,
            "source": TEXT,
            "worked_with": MAYBE_TEXT,
            "fixed": BOOLEAN,
            "devices": list_of(object_of({"label": TEXT, **fit, "verdict": VERDICT, "problems": list_of(TEXT)})),
        }
    )


def _step() -> Schema:
    wire = {"enum": ["in place", "jailed", "withdrawn", "rewired"]}
    return object_of(
        {
            "number": COUNT,
            "action": TEXT,
            "devices": list_of(TEXT),
            "wires": object_of({"distal": wire, "side": wire, "access_lost": list_of(LIMB)}),
            "check_before_next": TEXT,
            "measure_after": TEXT,
            "phase": TEXT,
            "done": BOOLEAN,
        }
    )
