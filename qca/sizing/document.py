"""worksheet.json: a worksheet as a document. Names are a contract: added, never renamed."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any

from calib.units import Mm
from qca import ALGORITHM_VERSION, CAUTION, __version__, codec
from qca.json_text import write_json
from qca.sizing.assumptions import Assumptions
from qca.sizing.geometry import Crossing, TechniqueGeometry
from qca.sizing.kissing import KissingPair
from qca.sizing.measured import MeasuredBifurcation, MeasuredLimb
from qca.sizing.needs import ROLES
from qca.sizing.propagation import UNKNOWN
from qca.sizing.rules import Judgement
from qca.sizing.script import Step
from qca.sizing.sizes import DeviceFit, SizeRow
from qca.sizing.techniques import TechniqueAnswer
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
        "measured": _measured(facts.measured),
        "laws": {
            "proximal_from_daughters": [
                {
                    "law": check.law,
                    **_length("predicted", check.predicted),
                    **_length("difference", check.difference),
                    "deviation_sd": check.deviation_sd,
                    "verdict": check.verdict,
                    "concerns": check.concerns,
                }
                for check in sheet.law_checks
            ],
            "reference_from_other_limbs": {
                limb: {"law": answer.law, **_length("reference", answer.diameter), "concerns": answer.concerns}
                for limb, answer in sheet.law_references.items()
            },
            "contradiction": facts.contradiction,
        },
        "lesion": {"consensus": CONSENSUS, "rules": [_rule(one, "context") for one in sheet.lesion.judgements]},
        "geometry": _bifurcation(sheet),
        "technique": sheet.technique,
        "techniques": [_technique(result, sheet.technique_geometry[result.technique.id]) for result in sheet.answers],
        "sizes": [_size(row, facts.assumptions) for row in sheet.sizes],
        "steps": {name: [_step(step) for step in steps] for name, steps in sheet.steps.items()},
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


def _length(name: str, length: Mm) -> dict[str, float]:
    return {f"{name}_mm": length.value, f"{name}_sd_mm": length.sd}


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


def _measured(measured: MeasuredBifurcation) -> dict[str, Any]:
    return {
        "limbs": {name: _limb(limb) for name, limb in measured.limbs.items()},
        "angles_deg": {
            key: part
            for name, (value, sd) in measured.angles_deg.items()
            for key, part in ((name, value), (f"sd_{name}", sd))
        },
        "medina": measured.medina_code,
    }


def _limb(limb: MeasuredLimb) -> dict[str, Any]:
    return {
        **_length("reference", limb.reference),
        "reference_random_sd_mm": limb.reference.sd_random,
        "reference_source": limb.reference_source,
        "reference_derived": limb.derived,
        **_length("mld", limb.mld),
        "ds_percent": limb.ds_percent,
        "ds_sd_percent": limb.ds_sd_percent,
        "lesion_start_mm": limb.lesion_start.value,
        "lesion_end_mm": limb.lesion_end.value,
        **_length("lesion_length", limb.lesion_length),
        "traced_mm": limb.traced_mm,
        "outline": {
            "position_mm": [position for position, _ in limb.outline],
            "diameter_mm": [diameter for _, diameter in limb.outline],
        },
    }


def _rule(one: Judgement, weight: str) -> dict[str, Any]:
    return {
        "id": one.rule.id,
        "statement": one.rule.text,
        "value": one.value,
        "sd": one.sd,
        "unit": one.rule.unit,
        "threshold": one.threshold,
        "margin": one.margin,
        "probability": one.probability,
        "verdict": one.verdict,
        "source": one.rule.source,
        "direction": one.rule.direction,
        "weight": weight,
        "holds": one.holds,
        "missing": one.missing,
        "device": one.device,
        "note": one.note,
    }


def _bifurcation(sheet: Worksheet) -> dict[str, Any]:
    geometry = sheet.geometry
    ellipse = geometry.ostium
    return {
        **_length("proximal_minus_distal", geometry.step),
        "ostium": {
            "long_axis_mm": ellipse.long_axis,
            "short_axis_mm": ellipse.short_axis,
            "area_mm2": ellipse.area_mm2,
            "perimeter_mm": ellipse.perimeter,
            "area_equivalent_mm": ellipse.area_equivalent,
            "saddle_depth_mm": geometry.saddle_mm,
        },
        **_length("slant", geometry.slant),
        "kissing": None if geometry.kissing is None else _kissing(geometry.kissing),
        "kissing_stretch": geometry.kissing_stretch,
        "kissing_stretch_sd": geometry.kissing_stretch_sd,
    }


def _kissing(pair: KissingPair) -> dict[str, Any]:
    return {
        **_length("perimeter", pair.perimeter),
        "area_mm2": pair.area_mm2,
        **_length("perimeter_equivalent", pair.perimeter_equivalent),
        **_length("area_equivalent", pair.area_equivalent),
        "long_axis_mm": pair.long_axis.value,
        "short_axis_mm": pair.short_axis.value,
        "elongation": pair.elongation,
        "two_thirds_of_sum_mm": pair.two_thirds.value,
        "two_thirds_note": "rule of thumb for the target vessel, not confirmed; not an envelope",
    }


def _technique(result: TechniqueAnswer, geometry: TechniqueGeometry) -> dict[str, Any]:
    plan = result.attempt.kit.layout
    return {
        "id": result.technique.id,
        "name": result.technique.name,
        "idea": result.technique.idea,
        "verdict": result.verdict,
        "because": result.because,
        "open": result.open,
        "rules": [_rule(one, weight) for one, weight in result.rules],
        "strut_layers": {**result.struts, "most": result.layers},
        "geometry": {
            "order": [span.role for span in result.spans],
            "entered_limb": plan.entered,
            "crossed_stent": plan.crossed,
            "side_more_angulated_probability": plan.first_limb_probability,
            "stents": [
                {
                    "role": span.role,
                    "limb": span.limb,
                    "device": _label(result, span.role),
                    "proximal_mm": span.proximal.value,
                    "daughter_mm": span.daughter.value,
                    "shape_in_proximal": span.shape,
                    "must_reach": span.must_reach,
                }
                for span in result.spans
            ],
            "crossings": [_crossing(one) for one in geometry.crossings],
            "overlap_mm": geometry.overlap_mm,
            **_length("bare_ostium", geometry.bare_ostium),
            **_length("new_carina", geometry.new_carina),
            "least_proximal_mm": geometry.least_proximal_mm,
            **_length("gap_before_optimisation", geometry.gap_before_optimisation),
        },
    }


def _label(result: TechniqueAnswer, role: str) -> str | None:
    device = result.attempt.device(role)
    return device.label if device else None


def _crossing(one: Crossing) -> dict[str, Any]:
    return {
        "role": one.role,
        "device": one.label or None,
        "limb": one.limb,
        **_length("reference", one.reference),
        "nominal_mm": one.nominal_mm,
        "expansion_ratio": one.ratio,
        **_length("gap", one.gap),
        "expansion_used": one.expansion_used,
    }


def _size(row: SizeRow, assumptions: Assumptions) -> dict[str, Any]:
    need = row.need
    reach = 1.96 * need.target.sd
    length = need.length if need.kind == "stent" else UNKNOWN
    stretched = (length.value + 1.96 * length.sd) / math.cos(math.radians(assumptions.foreshortening_deg))
    return {
        "role": need.role,
        "name": ROLES[need.role][1],
        "techniques": need.techniques,
        "limb": need.limb,
        "target_mm": need.target.value,
        "target_sd_mm": need.target.sd,
        "low_mm": need.target.value - reach,
        "high_mm": need.target.value + reach,
        "must_reach_mm": need.must_reach.value,
        **_length("length", length),
        "length_high_mm": stretched,
        "length_note": "as seen in one view: a lower limit" if need.kind == "stent" else "",
        "rule": need.rule,
        "source": need.source,
        "worked_with": row.worked_with.device.label if row.worked_with else None,
        "fixed": row.fixed,
        "devices": _fits(row.fits),
    }


def _fits(fits: Iterable[DeviceFit]) -> list[dict[str, Any]]:
    return [
        {
            "label": one.device.label,
            "nominal_mm": one.device.nominal_mm,
            "length_mm": one.device.length_mm,
            "ratio": one.ratio,
            "ratio_sd": one.ratio_sd,
            "expansion_used": one.expansion_used,
            "probability": one.probability,
            "verdict": one.verdict,
            "problems": one.problems,
        }
        for one in fits
    ]


def _step(step: Step) -> dict[str, Any]:
    return {
        "number": step.number,
        "action": step.action,
        "devices": step.devices,
        "wires": dict(step.wires),
        "check_before_next": step.check_before_next,
        "measure_after": step.measure_after,
        "phase": step.phase,
        "done": step.done,
    }
