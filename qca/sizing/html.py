"""A worksheet as HTML: the printable page, and the section of a reading's report."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from qca import CAUTION
from qca.report.measured import number_text as plain_number
from qca.report.measured import probability_text
from qca.report.palette import INKS
from qca.report.plain import plain
from qca.report.template import caution_style, safe, templates
from qca.report.unbroken import unbroken
from qca.sizing.document import CONSENSUS, NOT_A_COMMAND
from qca.sizing.laws import LAWS
from qca.sizing.missing_inputs import advice_text, missing_text
from qca.sizing.needs import ROLES
from qca.sizing.ostium import ostium_sd
from qca.sizing.overview_drawing import overview
from qca.sizing.print_size import print_layout
from qca.sizing.rules import SIGNS, Judgement
from qca.sizing.script import Step
from qca.sizing.sizes import SizeRow
from qca.sizing.stent_drawing import STENT_COLOURS, technique_drawing
from qca.sizing.techniques import TECHNIQUES, TechniqueAnswer
from qca.sizing.terminal import best_of_each_size, size_title, to_know
from qca.sizing.wording import (
    CRITERION_WORDS,
    VERDICT_WORDS,
    layers_text,
    length_text,
    number_text,
    reason_texts,
    value_text,
    verdict_meanings,
)
from qca.sizing.worksheet import Worksheet

_HERE = Path(__file__).parent


def worksheet_page(sheet: Worksheet) -> str:
    """Write the worksheet as one self-contained HTML file that prints on A4.

    Returns
    -------
    str
        No scripts, nothing from elsewhere, no time stamp: the same worksheet gives the same text. All text from files
        is escaped.
    """
    return _render("page.html.j2", sheet)


def worksheet_section(sheet: Worksheet) -> str:
    """Write the worksheet as a section of a report: the page's contents and every rule with its source.

    Returns
    -------
    str
        An HTML fragment with its own style, whose selectors all begin with ``.ws``.
    """
    return _render("section.html.j2", sheet)


def _render(template: str, sheet: Worksheet) -> str:
    view = _view(sheet)
    layout = print_layout(view)
    return (
        templates(_HERE, finalize=unbroken)
        .get_template(template)
        .render(
            view={**view, "print_size": f"{layout.size_pt:.1f}", "steps_apart": layout.steps_apart},
            words=VERDICT_WORDS,
            caution_css=caution_style(),
            css=safe((_HERE / "worksheet.css").read_text(encoding="utf-8")),
            page_css=safe((_HERE / "page.css").read_text(encoding="utf-8")),
        )
    )


def _view(sheet: Worksheet) -> dict[str, Any]:
    measured, case = sheet.facts.measured, sheet.facts.case
    degrees = sheet.facts.assumptions.foreshortening_deg
    relative = 100.0 * measured.scale_relative_sd
    scale_sd = f"SD {relative:.1f} %" if math.isfinite(relative) else "SD not known"
    return {
        "caution": CAUTION,
        "decision": NOT_A_COMMAND,
        "consensus": CONSENSUS,
        "file": plain(measured.frame_file),
        "index": measured.frame_index,
        "sha256": plain(measured.frame_sha256[:12]),
        "scale": f"scale {measured.scale_mm_per_px:.4f} mm per px, {scale_sd} ({plain(measured.scale_source)})",
        "scale_held_back": plain(sheet.facts.shaky("scale")),
        "devices": plain(sheet.table.name) if sheet.table.devices else "no table given",
        "case": plain(case.note or "no case note"),
        "technique": TECHNIQUES[sheet.technique].name if sheet.technique else "",
        "fixed": [(ROLES[role][1], plain(label)) for role, label in sheet.fixed.items()],
        "conflicts": [
            {
                "role": ROLES[one.role][1],
                "label": plain(one.label),
                "text": plain(one.text),
                "where": techniques_text(one.techniques),
            }
            for one in sheet.conflicts
        ],
        "alarms": [{"where": plain(one.where), "message": plain(one.message)}
                   for one in sheet.remarks if one.untrusted],
        "remarks": [{"message": plain(message)} for message in to_know(sheet.remarks)],
        "overview": safe(overview(sheet)),
        "limbs": [
            {
                "title": INKS[limb.name].title,
                "colour": INKS[limb.name].colour,
                "held_back": plain(sheet.facts.shaky(limb.name)),
                "lengths_held_back": plain(sheet.facts.shaky(limb.name, "scale")),
                "reference": length_text(limb.reference),
                "mld": length_text(limb.mld),
                "ds": number_text(limb.ds_percent, limb.ds_sd_percent, "%", 0),
                "lesion": length_text(limb.lesion_length, 1),
            }
            for limb in measured.limbs.values()
        ],
        "derived_numbers": _derived_numbers(sheet),
        "criteria_met": _criteria(sheet),
        "techniques": [_technique(sheet, result) for result in sheet.answers],
        "meanings": verdict_meanings(sheet.facts.assumptions.sure_probability),
        "main_colour": STENT_COLOURS["main_stent"],
        "side_colour": STENT_COLOURS["side_stent"],
        "sizes": [
            _size(row, sheet)
            for row in sheet.sizes
            if sheet.technique is None or sheet.technique in row.need.techniques
        ],
        "foreshortening": f"{degrees:g}",
        "longer": f"{100.0 / math.cos(math.radians(degrees)) - 100.0:.0f}",
        "steps": _steps(sheet.steps[sheet.technique]) if sheet.technique else [],
        "criteria": [_rule(one, "", criterion=True) for one in sheet.lesion.judgements],
    }  # fmt: skip


def techniques_text(names: Iterable[str]) -> str:
    """Name techniques; all of them in one word."""
    named = [TECHNIQUES[name].name for name in names]
    return "all techniques" if len(named) == len(TECHNIQUES) else "; ".join(named)


def _derived_numbers(sheet: Worksheet) -> list[tuple[str, str]]:
    geometry, facts = sheet.geometry, sheet.facts
    angles = ", ".join(
        f"{name} {number_text(value, sd, 'deg', 0)}" for name, (value, sd) in facts.measured.angles_deg.items()
    )
    limbs = ("proximal", "distal", "side")
    rows = [
        ("Angles", angles, ("angles",)),
        ("Medina", plain(facts.measured.medina_code), limbs),
        ("Proximal less distal", length_text(geometry.step), ("proximal", "distal", "scale")),
    ]
    ellipse, times = geometry.ostium, "\N{MULTIPLICATION SIGN}"
    if math.isfinite(ellipse.long_axis):
        side = facts.reference("side")
        long_sd, area_sd = ostium_sd(side, *facts.measured.angles_deg["B"])
        axes = f"{number_text(ellipse.long_axis, long_sd, 'mm', 2)} {times} {length_text(side)}"
        area = number_text(ellipse.area_mm2, area_sd, "mm²", 1)
        rows.append(("Side ostium", f"{axes}, {area}", ("side", "angles", "scale")))
    if geometry.kissing is not None:
        stretch = number_text(geometry.kissing_stretch, geometry.kissing_stretch_sd, "", 2)
        ring = length_text(geometry.kissing.perimeter_equivalent)
        text = f"balloons 1:1 to the daughters: {ring} as a circle, {stretch} {times} the proximal RVD"
        rows.append(("Kissing ring", text, (*limbs, "scale")))
    laws = "; ".join(
        f"{LAWS[check.law].name} {length_text(check.predicted)}" + (" (outside its range)" if check.concerns else "")
        for check in sheet.law_checks
        if check.verdict not in ("refused", "cannot_tell")
    )
    predicted = f"proximal from the daughters: {laws}" if laws else "no law has an answer"
    rows.append(("Laws", predicted, ("distal", "side", "scale")))
    return [(title, f"{text}; flagged" if facts.shaky(*subjects) else text) for title, text, subjects in rows]


def _criteria(sheet: Worksheet) -> list[tuple[str, str]]:
    rows = []
    for title, verdict in (("Criteria met", "fits"), ("Undecided", "borderline"), ("Cannot tell", "cannot_tell")):
        texts = [one.rule.text for one in sheet.lesion.judgements if one.verdict == verdict]
        if texts:
            rows.append((title, "; ".join(texts)))
    lacking = [one.missing for one in sheet.lesion.judgements if one.verdict == "cannot_tell"]
    advice = advice_text([*lacking, *(name for answer in sheet.answers for name in answer.open)])
    if advice:
        rows.append(("To tell more", plain(advice, 600)))
    return rows


def _technique(sheet: Worksheet, result: TechniqueAnswer) -> dict[str, Any]:
    stents = []
    for span in result.spans:
        device = result.attempt.device(span.role)
        if device:
            stents.append(plain(device.label))
    drawing = technique_drawing(sheet, result).replace("<svg ", '<svg class="drawn" ', 1)
    return {
        "name": result.technique.name,
        "chosen": result.technique.id == sheet.technique,
        "verdict": result.verdict,
        "drawing": safe(drawing),
        "layers": layers_text(result.layers),
        "stents": ", then ".join(stents),
        "reasons": [plain(text) for text in reason_texts(result.decisive)],
        "open": plain(missing_text(result.open)),
        "rules": [_rule(one, weight.replace("_", " ")) for one, weight in result.rules],
    }


def _size(row: SizeRow, sheet: Worksheet) -> dict[str, Any]:
    need, chosen = row.need, row.worked_with
    low, high = need.target.value - 1.96 * need.target.sd, need.target.value + 1.96 * need.target.sd
    others = [plain(one.device.label) for one in best_of_each_size(row) if one is not chosen]
    return {
        "title": size_title(row, sheet.technique),
        "held_back": plain(sheet.facts.shaky(need.limb, "scale")),
        "target": length_text(need.target),
        "interval": f"{low:.2f} to {high:.2f} mm" if math.isfinite(low) else "not known",
        "reach": number_text(need.must_reach.value, 0.0, "mm", 2) if need.kind == "stent" else "",
        "length": f"≥ {plain_number(need.length.value, 1)} mm" if need.kind == "stent" else "",
        "label": plain(chosen.device.label) if chosen else "none of the table",
        "fixed": row.fixed,
        "problems": [plain(problem) for problem in chosen.problems] if chosen else [],
        "ratio": number_text(chosen.ratio, chosen.ratio_sd, "", 2) if chosen else "",
        "used": f"{100 * chosen.expansion_used:.0f} %" if chosen and math.isfinite(chosen.expansion_used) else "",
        "chance": probability_text(chosen.probability) if chosen else "",
        "others": "; ".join(others),
    }


def _steps(steps: Iterable[Step]) -> list[dict[str, Any]]:
    """Prepare steps; where the wires lie is written where it changes, a limb without a usable wire in every step."""
    shown, before = [], ""
    for step in steps:
        one = _step(step)
        shown.append({**one, "wires": "" if one["wires"] == before else one["wires"]})
        before = one["wires"]
    return shown


def _step(step: Step) -> dict[str, Any]:
    names = {"distal": "main", "side": "side"}
    lost = step.wires["access_lost"]
    without = [name for limb, name in names.items() if isinstance(lost, tuple) and limb in lost]
    return {
        "number": step.number,
        "action": plain(step.action),
        "devices": plain("; ".join(step.devices)),
        "wires": ", ".join(f"{name} {step.wires[limb]}" for limb, name in names.items()),
        "lost": " and ".join(without),
        "check_before_next": plain(step.check_before_next, 1000),
        "measure_after": plain(step.measure_after),
        "done": step.done,
    }


def _rule(one: Judgement, weight: str, *, criterion: bool = False) -> dict[str, Any]:
    decimals = {"mm": 2, "deg": 0, "%": 0}.get(one.rule.unit, 2)
    unit = {"deg": "°", "": ""}.get(one.rule.unit, f" {one.rule.unit}")
    sign = SIGNS[one.rule.direction]
    return {
        "statement": one.rule.text,
        "weight": weight,
        "device": plain(one.device),
        "note": plain("; ".join(part for part in (one.note, one.held_back) if part)),
        "value": value_text(one),
        "threshold": f"{sign} {plain_number(one.threshold, decimals)}{unit}" if math.isfinite(one.threshold) else "",
        "margin": f"{plain_number(one.margin, decimals)}{unit}" if math.isfinite(one.margin) else "",
        "probability": probability_text(one.probability) if math.isfinite(one.probability) else "",
        "verdict": one.verdict,
        "criterion": criterion,
        "answer": CRITERION_WORDS[one.verdict],
        "missing": plain(one.missing),
        "source": plain(one.rule.source, 600),
    }
