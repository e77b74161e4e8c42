"""worksheet.json as rich text for the screen: techniques by the numbers, sizes, the steps of the one chosen. No Qt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from qca.report.measured import probability_text
from qca.sizing.wording import number_text, told_apart
from ui.desk.inks import Look

FACT_TITLES = {
    "site": "Site",
    "calcification": "Calcification",
    "thrombus": "Thrombus",
    "lesions": "Lesions in the vessel",
    "side_mass_percent": "Myocardium at side",
    "side_access": "Wire access to side",
    "side_flow_grade": "Side flow, grade",
    "strategy": "Dominant strategy",
    "phase": "Phase",
    "first_stent": "First stent lies in",
}
"""Facts asked for here; the others come from a case file."""

_VERDICTS = {
    "fits": ("fits", "good"),
    "borderline": ("borderline", "hand"),
    "does_not_fit": ("does not fit", "alarm"),
    "cannot_tell": ("cannot tell", "quiet"),
}
_DEVICES_SHOWN = 3

_NO_TABLE = "No device table is chosen: targets only."

PARTS = {"techniques": "Techniques", "steps": "Steps", "sizes": "Sizes", "rules": "Rule by rule"}
"""Anchors of the page and what they are called; steps and rules are there when a technique was chosen."""


def worksheet_html(sheet: Mapping[str, Any], technique: str | None, look: Look) -> str:
    """Write a worksheet as rich text; everything from files is escaped."""
    parts = [f"<p style='color:{look.quiet}'>{escape(sheet['decision'])}</p>"]
    parts += _conflicts(sheet, look)
    parts.append(_techniques(sheet, technique, look))
    chosen = next((one for one in sheet["techniques"] if one["id"] == technique), None)
    if chosen is not None:
        parts.append(_steps(sheet, chosen, look))
    parts.append(_sizes(sheet, technique, look))
    if chosen is not None:
        parts.append(_reasons(chosen, look))
    flags = "".join(f"<li>{escape(flag['message'])}</li>" for flag in sheet["flags"])
    parts.append(f"<h4>To know</h4><ul style='margin-left:-24px; color:{look.quiet}'>{flags}</ul>")
    parts.append(f"<p style='color:{look.quiet}'>{escape(sheet['caution'])}</p>")
    return "".join(parts)


def _verdict(name: str, look: Look) -> str:
    words, mark = _VERDICTS.get(name, (name, "quiet"))
    return f"<b style='color:{getattr(look, mark)}'>{escape(words)}</b>"


def _conflicts(sheet: Mapping[str, Any], look: Look) -> list[str]:
    if not sheet["conflicts"]:
        return []
    rows = "".join(f"<li>{escape(one['device'])}: {escape(one['problem'])}</li>" for one in _told(sheet["conflicts"]))
    title = f"<h4 style='color:{look.alarm}'>What speaks against the devices you chose</h4>"
    return [title, f"<ul style='margin-left:-24px'>{rows}</ul>"]


def _told(conflicts: list[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Label and problem of each conflict, whatever the worksheet calls them."""
    return [
        {
            "device": str(one.get("label", one.get("device", ""))),
            "problem": str(one.get("text", one.get("problem", ""))),
        }
        for one in conflicts
    ]


def _techniques(sheet: Mapping[str, Any], technique: str | None, look: Look) -> str:
    rows = []
    for one in sheet["techniques"]:
        mark = "▸ " if one["id"] == technique else ""
        link = f"<a href='technique:{escape(one['id'])}' style='color:{look.accent}'>{escape(one['name'])}</a>"
        rows.append(
            f"<tr><td>{mark}<b>{link}</b></td><td align='right'>{_verdict(one['verdict'], look)}</td></tr>"
            f"<tr><td colspan='2' style='color:{look.quiet}'>{escape(_why(one))}</td></tr>"
        )
    title = "<a name='techniques'></a><h4>Techniques by the numbers</h4>"
    return f"{title}<table cellspacing='0' cellpadding='3' width='100%'>{''.join(rows)}</table>"


def _why(one: Mapping[str, Any]) -> str:
    """Say what decides: the rules that do not hold, then what is not known, in the words of the panel."""
    decisive = [rule for rule in one["rules"] if rule["id"] in one["because"]]
    broken = [rule["statement"] for rule in decisive if rule["holds"] is False]
    near = [rule["statement"] for rule in decisive if rule["holds"] and not rule["held_back"]]
    held = dict.fromkeys(rule["held_back"] for rule in decisive if rule["held_back"])
    text = "; ".join(broken[:2]) + (f"; and {len(broken) - 2} more" if len(broken) > 2 else "")
    parts = [
        f"does not hold: {text}" if text else "",
        f"holds, but not surely: {'; '.join(near)}" if near else "",
        f"held back: {'; '.join(held)}" if held else "",
        *_open(one["open"]),
    ]
    parts = [part for part in parts if part]
    return "; ".join(parts) or "every rule holds"


def _open(missing: Sequence[str]) -> list[str]:
    """Say what is missing, each thing once: facts of the case are not stated, all else is not known."""
    parts = [part for item in missing for part in item.split("; ")]
    stated = dict.fromkeys(word for part in parts if _is_fact(part) for word in in_panel_words(part).split(", "))
    known = dict.fromkeys(part for part in parts if not _is_fact(part))
    return [f"{how}: {', '.join(words)}" for how, words in (("not stated", stated), ("not known", known)) if words]


def _is_fact(missing: str) -> bool:
    return missing.startswith("case: ")


def in_panel_words(missing: str) -> str:
    """Name what is missing as the panel does: ``"case: side_access, site"`` as ``"wire access to side, site"``."""
    kind, colon, names = missing.partition(": ")
    if kind != "case" or not colon:
        return missing
    return ", ".join(FACT_TITLES.get(name, name.replace("_", " ")).lower() for name in names.split(", "))


def _reasons(one: Mapping[str, Any], look: Look) -> str:
    rows = []
    for rule in one["rules"]:
        missing = f" ({'; '.join(_open([rule['missing']]))})" if rule.get("missing") else ""
        value = "" if missing else _value(rule)
        rows.append(
            f"<tr><td colspan='2'>{escape(rule['statement'])}{escape(missing)}</td></tr>"
            f"<tr><td style='color:{look.quiet}'>{escape(value)}</td>"
            f"<td align='right'>{_verdict(rule['verdict'], look)}</td></tr>"
        )
    return (
        f"<a name='rules'></a><h4>{escape(one['name'])}: rule by rule</h4>"
        f"<p style='color:{look.quiet}'>{escape(one['idea'])}</p>"
        f"<table cellspacing='0' cellpadding='3' width='100%'>{''.join(rows)}</table>"
    )


def _steps(sheet: Mapping[str, Any], one: Mapping[str, Any], look: Look) -> str:
    items = []
    for step in sheet["steps"].get(one["id"], []):
        devices = "".join(f"<br><b>{escape(str(device))}</b>" for device in step["devices"])
        lost = step["wires"].get("access_lost") or []
        wires = f"<br><span style='color:{look.hand}'>No usable wire: {escape(', '.join(lost))}</span>" if lost else ""
        check = step["check_before_next"]
        checked = f"<br><span style='color:{look.quiet}'>Before going on: {escape(check)}</span>" if check else ""
        done = " (done)" if step.get("done") else ""
        items.append(f"<li>{escape(step['action'])}{done}{devices}{wires}{checked}</li>")
    return (
        f"<a name='steps'></a><h4>{escape(one['name'])}: steps</h4><ol style='margin-left:-20px'>{''.join(items)}</ol>"
    )


def _sizes(sheet: Mapping[str, Any], technique: str | None, look: Look) -> str:
    rows = []
    table = sheet["devices"]["number"] > 0
    for size in sheet["sizes"]:
        if technique is not None and technique not in size["techniques"]:
            continue
        target = _number(size["target_mm"], size["target_sd_mm"], "mm")
        flagged = f"<br><span style='color:{look.alarm}'>flagged</span>" if size["held_back"] else ""
        devices = "".join(_device(device, look) for device in size["devices"][:_DEVICES_SHOWN])
        if table and not devices:
            devices = _over_both("no device of the table comes into question", look)
        rows.append(
            f"<tr><td><b>{escape(size['name'])}</b></td><td align='right'><b>{_unbroken(target)}</b>{flagged}</td></tr>"
            f"{devices}"
        )
    note = "Devices: size over the target, and the probability that it is right." if table else _NO_TABLE
    lines = f"{_over_both(note, look)}{''.join(dict.fromkeys(rows))}"
    return f"<a name='sizes'></a><h4>Sizes</h4><table cellspacing='0' cellpadding='3' width='100%'>{lines}</table>"


def _device(device: Mapping[str, Any], look: Look) -> str:
    """Write a device with its size over the target and how likely it is right; below, what speaks against it."""
    ratio, chance = _number(device["ratio"], device["ratio_sd"], ""), device["probability"]
    right = f"{ratio}, {probability_text(chance)}" if chance is not None else ratio
    line = f"<tr><td>{escape(device['label'])}</td><td align='right'>{_unbroken(right)}</td></tr>"
    return f"{line}{_over_both('; '.join(device['problems']), look)}" if device["problems"] else line


def _over_both(text: str, look: Look) -> str:
    return f"<tr><td colspan='2' style='color:{look.quiet}'>{escape(text)}</td></tr>"


def _unbroken(text: str) -> str:
    return escape(text).replace(" ", "&nbsp;")


def _value(rule: Mapping[str, Any]) -> str:
    """Write the quantity of a rule: an exact length with the decimals that tell it from its limit."""
    value, sd, limit = rule["value"], rule["sd"], rule["threshold"]
    if rule["unit"] == "mm" and value is not None and not sd:
        return f"{told_apart(value, 2, math.nan if limit is None else limit)} mm"
    return _number(value, sd, rule["unit"])


def _number(value: float | None, sd: float | None, unit: str) -> str:
    """Write a number with the decimals that the worksheet on paper gives it."""
    if value is None or not math.isfinite(value):
        return "not known"
    decimals = {"mm": 2, "deg": 0, "%": 0}.get(unit, 2 if sd else 0)
    return number_text(value, sd or 0.0, unit, decimals)
