"""worksheet.json: a worksheet as a document. Names are a contract: added, never renamed."""

from __future__ import annotations

import dataclasses
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__, codec
from qca.json_text import write_json
from qca.sizing.assumptions import Assumptions
from qca.sizing.facts import Facts
from qca.sizing.kissing import KissingPair
from qca.sizing.measured import MeasuredLimb
from qca.sizing.technique_document import (
    length_fields,
    rule_document,
    size_document,
    step_document,
    technique_document,
)
from qca.sizing.worksheet import Worksheet

WORKSHEET_SCHEMA = "qca.worksheet/1"

CONSENSUS = (
    "The European Bifurcation Club's consensus default is provisional stenting for the majority of bifurcations (15th "
    "consensus, DOI 10.4244/EIJ-D-20-00169). Randomised comparisons: outside the left main, 5-year events 18.4 % "
    "provisional against 23.7 % culotte, hazard ratio 0.75 (0.41 to 1.38) (Arunothayaraj S et al., EuroIntervention "
    "2023, DOI 10.4244/EIJ-D-23-00211); left main, 12 months 14.7 % against 17.7 %, 0.8 (0.5 to 1.3) (Hildick-Smith D "
    "et al., Eur Heart J 2021;42:3829)."
)

NOT_A_COMMAND = "The techniques are compared by the numbers. Which one is used, or none, is the operator's decision."


def worksheet_to_json(sheet: Worksheet) -> dict[str, Any]:
    """Turn a worksheet into JSON values; unknown numbers become None.

    Returns
    -------
    dict
        The document of the schema in ``qca.sizing.schema``.
    """
    facts = sheet.facts
    document = {
        "schema": WORKSHEET_SCHEMA,
        "software": {"version": __version__, "algorithm_version": ALGORITHM_VERSION},
        "caution": CAUTION,
        "decision": NOT_A_COMMAND,
        "reading": _reading(sheet),
        "case": {"origin": sheet.origins.case, **dataclasses.asdict(facts.case)},
        "devices": _devices(sheet),
        "rules": _overrides(sheet),
        "conflicts": sheet.conflicts,
        "measured": _measured(facts),
        "laws": {
            "proximal_from_daughters": [
                {
                    "law": check.law,
                    **length_fields("predicted", check.predicted),
                    **length_fields("difference", check.difference),
                    "deviation_sd": check.deviation_sd,
                    "verdict": check.verdict,
                    "concerns": check.concerns,
                }
                for check in sheet.law_checks
            ],
            "reference_from_other_limbs": {
                limb: {"law": answer.law, **length_fields("reference", answer.diameter), "concerns": answer.concerns}
                for limb, answer in sheet.law_references.items()
            },
            "contradiction": facts.contradiction,
        },
        "lesion": {"consensus": CONSENSUS, "rules": [rule_document(one, "context") for one in sheet.lesion.judgements]},
        "geometry": _bifurcation(sheet),
        "technique": sheet.technique,
        "techniques": [
            technique_document(result, sheet.technique_geometry[result.technique.id]) for result in sheet.answers
        ],
        "sizes": [size_document(row, facts) for row in sheet.sizes],
        "steps": {name: [step_document(step) for step in steps] for name, steps in sheet.steps.items()},
        "flags": [
            {"code": one.code, "where": one.where, "message": one.message, "untrusted": one.untrusted}
            for one in sheet.remarks
        ],
    }
    encoded: dict[str, Any] = codec.encode(document)
    return encoded


def worksheet_text(sheet: Worksheet) -> str:
    """Write a worksheet as the text of worksheet.json; the same worksheet always gives the same text."""
    return write_json(worksheet_to_json(sheet))


def _reading(sheet: Worksheet) -> dict[str, Any]:
    measured = sheet.facts.measured
    origin = sheet.origins.reading
    return {
        "file": origin.file if origin else None,
        "sha256": origin.sha256 if origin else None,
        "frame": {
            "file": measured.frame_file, "sha256": measured.frame_sha256, "index": measured.frame_index,
        },
        "scale": {
            "mm_per_px": measured.scale_mm_per_px,
            "relative_sd": measured.scale_relative_sd,
            "source": measured.scale_source,
        },
    }  # fmt: skip


def _devices(sheet: Worksheet) -> dict[str, Any]:
    origin = sheet.origins.devices
    return {
        "file": origin.file if origin else None,
        "sha256": origin.sha256 if origin else None,
        "number": len(sheet.table.devices),
        "fixed": dict(sheet.fixed),
    }


def _overrides(sheet: Worksheet) -> dict[str, Any]:
    origin = sheet.origins.rules
    assumptions = sheet.facts.assumptions
    return {
        "file": origin.file if origin else None,
        "sha256": origin.sha256 if origin else None,
        "thresholds": dict(sheet.overrides.thresholds),
        "plan": {
            field.name: {
                "value": getattr(assumptions, field.name),
                "unit": field.metadata["unit"],
                "meaning": field.metadata["meaning"],
                "source": field.metadata["source"],
                "changed": field.name in sheet.overrides.plan,
            }
            for field in dataclasses.fields(Assumptions)
        },
    }


def _measured(facts: Facts) -> dict[str, Any]:
    measured = facts.measured
    return {
        "limbs": {name: _limb(limb, facts.shaky(name)) for name, limb in measured.limbs.items()},
        "angles_deg": {
            key: part
            for name, (value, sd) in measured.angles_deg.items()
            for key, part in ((name, value), (f"sd_{name}", sd))
        },
        "medina": measured.medina_code,
    }


def _limb(limb: MeasuredLimb, held_back: str) -> dict[str, Any]:
    return {
        **length_fields("reference", limb.reference),
        "reference_random_sd_mm": limb.reference.sd_random,
        "reference_source": limb.reference_source,
        "reference_derived": limb.derived,
        **length_fields("mld", limb.mld),
        "ds_percent": limb.ds_percent,
        "ds_sd_percent": limb.ds_sd_percent,
        "lesion_start_mm": limb.lesion_start.value,
        "lesion_end_mm": limb.lesion_end.value,
        **length_fields("lesion_length", limb.lesion_length),
        "traced_mm": limb.traced_mm,
        "held_back": held_back,
        "outline": {
            "position_mm": [position for position, _ in limb.outline],
            "diameter_mm": [diameter for _, diameter in limb.outline],
        },
    }


def _bifurcation(sheet: Worksheet) -> dict[str, Any]:
    geometry = sheet.geometry
    ellipse = geometry.ostium
    return {
        **length_fields("proximal_minus_distal", geometry.step),
        "ostium": {
            "long_axis_mm": ellipse.long_axis,
            "short_axis_mm": ellipse.short_axis,
            "area_mm2": ellipse.area_mm2,
            "perimeter_mm": ellipse.perimeter,
            "area_equivalent_mm": ellipse.area_equivalent,
            "saddle_depth_mm": geometry.saddle_mm,
        },
        **length_fields("slant", geometry.slant),
        "bent_slant_mm": geometry.bent_slant_mm,
        "kissing": None if geometry.kissing is None else _kissing(geometry.kissing),
        "kissing_stretch": geometry.kissing_stretch,
        "kissing_stretch_sd": geometry.kissing_stretch_sd,
    }


def _kissing(pair: KissingPair) -> dict[str, Any]:
    return {
        **length_fields("perimeter", pair.perimeter),
        "area_mm2": pair.area_mm2,
        **length_fields("perimeter_equivalent", pair.perimeter_equivalent),
        **length_fields("area_equivalent", pair.area_equivalent),
        "long_axis_mm": pair.long_axis.value,
        "short_axis_mm": pair.short_axis.value,
        "elongation": pair.elongation,
        "two_thirds_of_sum_mm": pair.two_thirds.value,
        "two_thirds_note": "rule of thumb for the target vessel, not confirmed; not an envelope",
    }
