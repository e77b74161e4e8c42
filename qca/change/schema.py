"""JSON Schema (draft 2020-12) of comparison.json."""

from __future__ import annotations

from qca.change.written import COMPARISON_SCHEMA, REGION_WORDS
from qca.sizing.rule_table import RULES
from qca.sizing.schema_parts import (
    BOOLEAN,
    FLAG_LIST,
    FRAME,
    LIMB,
    NUMBER,
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


def comparison_schema() -> Schema:
    """Build the schema of comparison.json."""
    difference = object_of({"value": NUMBER, "sd": NUMBER, "unit": TEXT, "exceeds": {"type": ["boolean", "null"]},
                          "sign_probability": NUMBER})  # fmt: skip
    narrowest = object_of({**length_of("mld"), "ds_percent": NUMBER, "ds_sd_percent": NUMBER, "position_mm": NUMBER,
                         "corrected": BOOLEAN, "missing_mm": NUMBER})  # fmt: skip
    judged = object_of({"id": {"enum": list(RULES)}, "statement": TEXT, "value": NUMBER, "sd": NUMBER,
                      "threshold": NUMBER, "probability": NUMBER, "verdict": VERDICT,
                      "holds": {"type": ["boolean", "null"]}, "held_back": TEXT, "source": TEXT})  # fmt: skip
    reading = object_of({"frame": FRAME, "medina": TEXT,
                       "scale": object_of({"mm_per_px": NUMBER, "relative_sd": NUMBER, "source": TEXT})})  # fmt: skip
    region = {"limb": LIMB, "region": {"enum": list(REGION_WORDS)}}
    return document_schema(
        "urn:qca:comparison:1",
        "Readings of one bifurcation before, after and later",
        COMPARISON_SCHEMA,
        {
            "readings": map_of(reading),
            "common_scale": BOOLEAN,
            "stents": map_of(object_of({"from_mm": NUMBER, "to_mm": NUMBER})),
            "regions": list_of(
                object_of(
                    {
                        **region,
                        "before": narrowest,
                        "after": narrowest,
                        "later": maybe(narrowest),
                        "acute_gain": difference,
                        "residual": judged,
                        **dict.fromkeys(("late_loss", "net_gain", "loss_index"), maybe(difference)),
                        "restenosis": maybe(judged),
                        "held_back": TEXT,
                    }
                )
            ),
            "worst": maybe(object_of(region)),
            "reference_change_mm": limbs_of(difference),
            "angle_change_deg": object_of(dict.fromkeys("ABC", difference)),
            "flags": FLAG_LIST,
        },
    )
