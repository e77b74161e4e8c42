"""worksheet.json as rich text for the screen: techniques by the numbers, sizes, the steps of the one chosen. No Qt."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import Any

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
    asked = [in_panel_words(str(item)) for item in one["open"]]
    words = dict.fromkeys(part for item in asked for part in item.split(", "))
    unknown = f"not said: {', '.join(words)}" if asked else ""
    parts = [
        f"does not hold: {text}" if text else "",
        f"holds, but not surely: {'; '.join(near)}" if near else "",
        f"held back: {'; '.join(held)}" if held else "",
        unknown,
    ]
    parts = [part for part in parts if part]
    return "; ".join(parts) or "every rule holds"


def in_panel_words(missing: str) -> str:
    """Name what is missing as the panel does: ``"case: side_access, site"`` as ``"wire access to side, site"``."""
    kind, colon, names = missing.partition(": ")
    if kind != "case" or not colon:
        return missing
    return ", ".join(FACT_TITLES.get(name, name.replace("_", " ")).lower() for name in names.split(", "))


def _reasons(one: Mapping[str, Any], look: Look) -> str:
    rows = []
    for rule in one["rules"]:
        value = _number(rule["value"], rule["sd"], rule["unit"])
        missing = f" ({rule['missing']} not known)" if rule.get("missing") else ""
        rows.append(
            f"<tr><td colspan='2'>{escape(rule['statement'])}{escape(missing)}</td></tr>"
            f"<tr><td style='color:{look.quiet}'>{escape(value if rule['unit'] else '')}</td>"
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
    for size in sheet["sizes"]:
        if technique is not None and technique not in size["techniques"]:
            continue
        target = _number(size["target_mm"], size["target_sd_mm"], "mm")
        target += " (flagged)" if size["held_back"] else ""
        devices = []
        for device in size["devices"][:_DEVICES_SHOWN]:
            problems = f" ({'; '.join(device['problems'])})" if device["problems"] else ""
            devices.append(escape(f"{device['label']}{problems}"))
        named = (
            "<br>".join(devices)
            or f"<span style='color:{look.quiet}'>no device of the table comes into question</span>"
        )
        rows.append(f"<tr><td>{escape(size['name'])}</td><td>{escape(target)}</td><td>{named}</td></tr>")
    return (
        f"<a name='sizes'></a><h4>Sizes</h4><table cellspacing='0' cellpadding='3' width='100%'>{''.join(rows)}</table>"
    )


def _number(value: float | None, sd: float | None, unit: str) -> str:
    if value is None or not math.isfinite(value):
        return "not known"
    sign = "°" if unit == "deg" else f" {unit}" if unit else ""
    spread = f" ± {sd:.2f}" if sd else ""
    return f"{value:.2f}{spread}{sign}"
