"""The parts of worksheet.json that repeat: rules, techniques, sizes, steps."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from calib.units import Mm
from qca.sizing.facts import Facts
from qca.sizing.geometry import Crossing, TechniqueGeometry
from qca.sizing.needs import ROLES
from qca.sizing.propagation import UNKNOWN
from qca.sizing.rules import Judgement
from qca.sizing.script import Step
from qca.sizing.sizes import DeviceFit, SizeRow
from qca.sizing.techniques import TechniqueAnswer


def length_fields(name: str, length: Mm) -> dict[str, float]:
    """Write a length and its SD as two fields."""
    return {f"{name}_mm": length.value, f"{name}_sd_mm": length.sd}


def rule_document(one: Judgement, weight: str) -> dict[str, Any]:
    """Write one rule applied."""
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
        "held_back": one.held_back,
    }


def technique_document(result: TechniqueAnswer, geometry: TechniqueGeometry) -> dict[str, Any]:
    """Write one technique."""
    plan = result.attempt.kit.layout
    return {
        "id": result.technique.id,
        "name": result.technique.name,
        "idea": result.technique.idea,
        "verdict": result.verdict,
        "because": result.because,
        "open": result.open,
        "rules": [rule_document(one, weight) for one, weight in result.rules],
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
            **length_fields("bare_ostium", geometry.bare_ostium),
            **length_fields("new_carina", geometry.new_carina),
            "least_proximal_mm": geometry.least_proximal_mm,
            **length_fields("gap_before_optimisation", geometry.gap_before_optimisation),
            **length_fields("kissing_ring", geometry.kissing_ring),
            "kissing_stretch": geometry.kissing_stretch,
            "kissing_stretch_sd": geometry.kissing_stretch_sd,
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
        **length_fields("reference", one.reference),
        "nominal_mm": one.nominal_mm,
        "expansion_ratio": one.ratio,
        **length_fields("gap", one.gap),
        "expansion_used": one.expansion_used,
    }


def size_document(row: SizeRow, facts: Facts) -> dict[str, Any]:
    """Write one role with its devices."""
    need, assumptions = row.need, facts.assumptions
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
        **length_fields("length", length),
        "length_high_mm": stretched,
        "length_note": "as seen in one view: a lower limit" if need.kind == "stent" else "",
        "rule": need.rule,
        "source": need.source,
        "held_back": facts.shaky(need.limb, "scale"),
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


def step_document(step: Step) -> dict[str, Any]:
    """Write one step."""
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
