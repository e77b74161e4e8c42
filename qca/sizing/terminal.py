"""A worksheet as plain text for a terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from qca import CAUTION
from qca.report.measured import probability_text
from qca.report.plain import plain
from qca.sizing.document import NOT_A_COMMAND
from qca.sizing.facts import Facts
from qca.sizing.laws import LAWS
from qca.sizing.measured import Remark
from qca.sizing.missing_inputs import missing_text
from qca.sizing.needs import ROLES
from qca.sizing.rules import Judgement
from qca.sizing.script import Step
from qca.sizing.sizes import DeviceFit, SizeRow
from qca.sizing.techniques import TECHNIQUES
from qca.sizing.wording import (
    CRITERION_WORDS,
    LIMB_TITLES,
    VERDICT_WORDS,
    length_text,
    number_text,
    reason_texts,
    value_text,
)
from qca.sizing.worksheet import Worksheet

WIDTH = 110
DEVICES_SHOWN = 3
"""Devices printed per role; worksheet.json holds all that come into question."""


def worksheet_lines(sheet: Worksheet) -> str:
    """Write a worksheet for people.

    Returns
    -------
    str
        Conflicts with fixed devices first, then what must not be relied on; text from files is made harmless.
    """
    measured = sheet.facts.measured
    lines = [
        f"Sizing worksheet: {plain(measured.frame_file)}, frame {measured.frame_index}",
        *_wrapped(CAUTION),
        "",
    ]
    if sheet.fixed:
        lines += _conflicts(sheet)
    alarms = [one for one in sheet.remarks if one.untrusted]
    if alarms:
        lines += ["Numbers that must not be relied on as they are"]
        lines += [*(_item(f"{one.where}: {one.message}") for one in alarms), ""]
    lines += [*_measured(sheet), *_lesion(sheet), *_techniques(sheet), *_sizes(sheet), *_steps(sheet)]
    lines += ["To know", *map(_item, to_know(sheet.remarks))]
    return "\n".join(lines) + "\n"


def to_know(remarks: Iterable[Remark]) -> list[str]:
    """Messages of the remarks that spoil no number, each once: two limbs may have one and the same to say."""
    return list(dict.fromkeys(one.message for one in remarks if not one.untrusted))


def columns(rows: Iterable[Sequence[str]], indent: str = "  ") -> list[str]:
    """Align rows of cells; the last column wraps under itself."""
    table = [list(row) for row in rows]
    widths = [max(len(row[k]) for row in table) for k in range(len(table[0]) - 1)] if table else []
    lines = []
    for row in table:
        head = indent + "".join(cell.ljust(width + 2) for cell, width in zip(row, widths, strict=False))
        rest = textwrap.wrap(row[-1], max(30, WIDTH - len(head))) or [""]
        lines.append((head + rest[0]).rstrip())
        lines += [" " * len(head) + part for part in rest[1:]]
    return lines


def _conflicts(sheet: Worksheet) -> list[str]:
    lines = ["What speaks against the devices you fixed"]
    if not sheet.conflicts:
        return [*lines, "  nothing", ""]
    rows = []
    for one in sheet.conflicts:
        names = [TECHNIQUES[name].name for name in one.techniques]
        where = "all techniques" if len(names) == len(TECHNIQUES) else ", ".join(names)
        rows.append((ROLES[one.role][1], plain(one.label), f"{plain(one.text)} [{where}]"))
    return [*lines, *columns(rows), ""]


def _measured(sheet: Worksheet) -> list[str]:
    measured, facts = sheet.facts.measured, sheet.facts

    def marked(text: str, *subjects: str) -> str:
        return f"{text} !" if facts.shaky(*subjects) else text

    rows = [
        ("", "RVD", "MLD", "stenosis", "lesion (as seen)", ""),
        *(
            (
                LIMB_TITLES[limb.name],
                marked(length_text(limb.reference), limb.name, "scale"),
                marked(length_text(limb.mld), limb.name, "scale"),
                marked(number_text(limb.ds_percent, limb.ds_sd_percent, "%", 0), limb.name),
                marked(length_text(limb.lesion_length, 1), limb.name, "scale"),
                f"({plain(why)})" if (why := facts.shaky(limb.name, "scale")) else "",
            )
            for limb in measured.limbs.values()
        ),
    ]
    angles = ", ".join(
        f"{name} {number_text(value, sd, 'deg', 0)}" for name, (value, sd) in measured.angles_deg.items()
    )
    laws = ", ".join(
        f"{LAWS[check.law].name} {marked(length_text(check.predicted), 'distal', 'side', 'scale')}"
        + (" (outside its range)" if check.concerns else "")
        for check in sheet.law_checks
        if check.verdict not in ("refused", "cannot_tell")
    )
    relative = 100.0 * measured.scale_relative_sd
    scale_sd = f"SD {relative:.1f} %" if math.isfinite(relative) else "SD not known"
    scale = marked(f"{measured.scale_mm_per_px:.4f} mm per px, {scale_sd}", "scale")
    medina = marked(plain(measured.medina_code), "medina", *measured.limbs)
    return [
        "Measured (! not to be relied on)" if facts.shaky(*measured.limbs, "angles", "medina", "scale") else "Measured",
        *columns(rows),
        f"  angles {marked(angles, 'angles')}; Medina {medina}",
        f"  scale {scale}: {plain(measured.scale_source)}",
        *columns([("proximal RVD by the diameter laws:", laws or "no law has an answer")]),
        "",
    ]


def _lesion(sheet: Worksheet) -> list[str]:
    rows = [(CRITERION_WORDS[one.verdict], value_text(one), _criterion(one)) for one in sheet.lesion.judgements]
    return ["Published criteria", *columns(rows), ""]


def _criterion(one: Judgement) -> str:
    extra = f"{one.missing} not known" if one.missing else (f"held back: {one.held_back}" if one.held_back else "")
    return f"{one.rule.text} [{plain(extra)}]" if extra else one.rule.text


def _techniques(sheet: Worksheet) -> list[str]:
    rows = [("", "", "strut layers", "what decides")]
    for result in sheet.answers:
        reasons = reason_texts(result.decisive)
        if result.open:
            reasons.append(f"not known: {missing_text(result.open)}")
        mark = "> " if result.technique.id == sheet.technique else ""
        rows.append((mark + result.technique.name, VERDICT_WORDS[result.verdict], str(result.layers), _joined(reasons)))
    return ["Techniques by the numbers", *columns(rows), *_wrapped(NOT_A_COMMAND), ""]


def _joined(reasons: Sequence[str]) -> str:
    return plain("; ".join(reasons), 2000) if reasons else "every rule holds"


def _sizes(sheet: Worksheet) -> list[str]:
    lines = ["Sizes: target, and devices of your table (> worked with)"]
    for row in sheet.sizes:
        need = row.need
        if sheet.technique is not None and sheet.technique not in need.techniques:
            continue
        lines += columns([(size_title(row, sheet.technique), size_asked(row, sheet.facts))])
        shown = best_of_each_size(row)
        lines += columns([(device_line(row, one),) for one in shown], indent="      ")
        if not row.fits:
            lines.append("      no device of the table comes into question" if sheet.table.devices else "")
    return [*(line for line in lines if line), ""]


def size_title(row: SizeRow, technique: str | None) -> str:
    """Name a role, with its techniques where they ask for different things and none is chosen."""
    name = ROLES[row.need.role][1]
    if technique is not None or len(row.need.techniques) == len(TECHNIQUES):
        return name
    return f"{name} ({'; '.join(TECHNIQUES[one].name for one in row.need.techniques)})"


def size_asked(row: SizeRow, facts: Facts) -> str:
    """Write what a role asks for: target, and for a stent length and the diameter it must reach."""
    need = row.need
    asked = length_text(need.target) + (f" ({plain(why)})" if (why := facts.shaky(need.limb, "scale")) else "")
    if need.kind == "stent":
        length = f"{need.length.value:.1f} mm" if math.isfinite(need.length.value) else "a length not known"
        asked += f"; at least {length} long as seen; must reach {length_text(need.must_reach)}"
    return asked


def best_of_each_size(row: SizeRow) -> tuple[DeviceFit, ...]:
    """Pick the best device of each nominal diameter, the one worked with first."""
    best: dict[float, DeviceFit] = {}
    for one in row.fits:
        best.setdefault(one.device.nominal_mm, one)
    return tuple(best.values())[:DEVICES_SHOWN]


def device_line(row: SizeRow, one: DeviceFit) -> str:
    """Write one device of a role: ratio, expansion used, probability, problems."""
    mark = "> " if row.worked_with is one else "  "
    used = f", {100 * one.expansion_used:.0f} % of its limit" if math.isfinite(one.expansion_used) else ""
    chance = f", right with {probability_text(one.probability)}" if math.isfinite(one.probability) else ""
    problems = f": {'; '.join(one.problems)}" if one.problems else ""
    fixed = " (fixed by you)" if row.fixed and row.worked_with is one else ""
    ratio = number_text(one.ratio, one.ratio_sd, "", 2).strip()
    return f"{mark}{plain(one.device.label)}{fixed}, ratio {ratio}{used}{chance}{problems}"


def _steps(sheet: Worksheet) -> list[str]:
    if sheet.technique is None:
        return ["Steps: name a technique (--technique ID) to print them; worksheet.json holds those of all.", ""]
    lines = [f"Steps of {TECHNIQUES[sheet.technique].name} (chosen by the operator)"]
    for step in sheet.steps[sheet.technique]:
        lines += step_lines(step)
    return [*lines, ""]


def step_lines(step: Step) -> list[str]:
    """Write one step: action, devices, wires, what must be true, what to measure."""
    done = " [done]" if step.done else ""
    lines = columns([(f"{step.number:2d}", step.action + done)])
    parts = [(name, plain(text)) for name, text in (
        ("with", "; ".join(step.devices)),
        ("wires", wires_text(step)),
        ("before going on", step.check_before_next),
        ("measure", step.measure_after),
    ) if text]  # fmt: skip
    return lines + columns(parts, indent="      ")


def wires_text(step: Step) -> str:
    """Write where the wires are, and which limb has none that can be used."""
    lost = step.wires["access_lost"]
    names = {"distal": "main", "side": "side"}
    text = ", ".join(f"{name} {step.wires[limb]}" for limb, name in names.items())
    without = [names[limb] for limb in names if isinstance(lost, tuple) and limb in lost]
    return text + (f"; no usable wire: {' and '.join(without)}" if without else "")


def _item(text: str) -> str:
    return textwrap.fill(plain(text), WIDTH, initial_indent="  - ", subsequent_indent="    ")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ")
