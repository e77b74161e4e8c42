"""A comparison of readings as comparison.json and as text for a terminal."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__, codec
from qca.change.comparison import Comparison, Difference, RegionChange
from qca.change.region import MARGIN_MM, Narrowest
from qca.change.remarks import told
from qca.change.times import NAMES
from qca.json_text import write_json
from qca.report.measured import probability_text
from qca.report.plain import plain
from qca.sizing.rules import Judgement
from qca.sizing.terminal import WIDTH, columns
from qca.sizing.wording import LIMB_TITLES, length_text, number_text

COMPARISON_SCHEMA = "qca.comparison/1"

REGION_WORDS = {
    "limb": "whole limb",
    "in_stent": "in the stent",
    "margins": f"margins ({MARGIN_MM:g} mm)",
    "in_segment": "stent and margins",
    "ostium": f"ostium (first {MARGIN_MM:g} mm)",
}


def comparison_to_json(comparison: Comparison) -> dict[str, Any]:
    """Turn a comparison into JSON values; unknown numbers become None."""
    worst = comparison.worst
    encoded: dict[str, Any] = codec.encode(
        {
            "schema": COMPARISON_SCHEMA,
            "software": {"version": __version__, "algorithm_version": ALGORITHM_VERSION},
            "caution": CAUTION,
            "readings": {
                name: {
                    "frame": {"file": one.frame_file, "sha256": one.frame_sha256, "index": one.frame_index},
                    "scale": {
                        "mm_per_px": one.scale_mm_per_px,
                        "relative_sd": one.scale_relative_sd,
                        "source": one.scale_source,
                    },
                    "medina": one.medina_code,
                }
                for name, one in zip(NAMES, comparison.readings, strict=False)
            },
            "common_scale": comparison.common_scale,
            "stents": comparison.stents,
            "regions": [_region(one) for one in comparison.regions],
            "worst": None if worst is None else {"limb": worst.limb, "region": worst.region},
            "reference_change_mm": comparison.references,
            "angle_change_deg": comparison.angles,
            "flags": [
                {"code": one.code, "where": one.where, "message": one.message, "untrusted": one.untrusted}
                for one in comparison.remarks
            ],
        }
    )
    return encoded


def comparison_text(comparison: Comparison) -> str:
    """Write a comparison as the text of comparison.json."""
    return write_json(comparison_to_json(comparison))


def comparison_lines(comparison: Comparison) -> str:
    """Write a comparison for people."""
    third = len(comparison.readings) > 2
    rows = [["", "", "MLD before", "after", "acute gain", "residual stenosis", ""]]
    rows += [
        [*_name(one), length_text(one.before.mld), length_text(one.after.mld), change_text(one.acute_gain),
         criterion_text(one.residual), ""]
        for one in comparison.regions
    ]  # fmt: skip
    later = [["", "", "MLD later", "late loss", "net gain", "loss index", "restenosis", ""]]
    later += [
        [*_name(one), length_text(one.later.mld), change_text(one.late_loss), change_text(one.net_gain),
         change_text(one.loss_index), criterion_text(one.restenosis), ""]
        for one in comparison.regions
        if one.later and one.late_loss and one.net_gain and one.loss_index and one.restenosis
    ]  # fmt: skip
    changed = ", ".join(
        f"{LIMB_TITLES[limb].lower()} {change_text(one)}" for limb, one in comparison.references.items()
    )
    angles = ", ".join(f"{name} {change_text(one)}" for name, one in comparison.angles.items())
    worst = comparison.worst
    lines = [
        "Before, after" + (", later" if third else ""),
        *textwrap.wrap(CAUTION, WIDTH, initial_indent="  ", subsequent_indent="  "),
        "",
        *columns(rows),
        "",
        *([*columns(later), ""] if third else []),
        f"  RVDs, before to after: {changed}",
        f"  angles, before to after: {angles}",
        "  * exceeds measurement error (95 %); a number without it may be error alone",
    ]
    doubtful = {one.limb: one.held_back for one in comparison.regions if one.held_back}
    lines += [f"  ! {limb}: must not be relied on as it is ({plain(why)})" for limb, why in doubtful.items()]
    if worst is not None:
        last = worst.later or worst.after
        stenosis = number_text(last.ds_percent, last.ds_sd_percent, "%", 0)
        lines.append(f"  worst: {worst.limb}, {REGION_WORDS[worst.region]}, stenosis {stenosis}")
    lines += ["", "To know"]
    lines += [
        textwrap.fill(f"{where}. {message}" if where else message, WIDTH, initial_indent="  - ",
                      subsequent_indent="    ")
        for where, message in told(comparison.remarks)
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _name(one: RegionChange) -> tuple[str, str]:
    mark = " !" if one.held_back else ""
    return f"{LIMB_TITLES[one.limb]}{mark}", REGION_WORDS[one.region]


def change_text(one: Difference) -> str:
    """Write a change: signed, with SD, and a star where it exceeds measurement error."""
    if not math.isfinite(one.value):
        return "not known"
    decimals = {"mm": 2, "": 2}.get(one.unit, 0)
    star = " *" if one.exceeds else ""
    sign = "+" if one.value >= 0 else ""
    return f"{sign}{number_text(one.value, one.sd, one.unit, decimals)}{star}"


def criterion_text(one: Judgement) -> str:
    """Write a stenosis with the probability that its rule holds."""
    if one.verdict == "cannot_tell":
        return "not known"
    stenosis = number_text(one.value, one.sd, "%", 0)
    asked = one.rule.threshold_text
    sign = "<" if one.rule.direction == "below" else "≥"
    held = f"; {one.held_back}" if one.held_back else ""
    return f"{stenosis} ({sign} {asked}: {probability_text(one.probability)}{held})"


def _region(one: RegionChange) -> dict[str, Any]:
    return {
        "limb": one.limb,
        "region": one.region,
        "before": _narrowest(one.before),
        "after": _narrowest(one.after),
        "later": _narrowest(one.later) if one.later else None,
        "acute_gain": one.acute_gain,
        "residual": _judgement(one.residual),
        "late_loss": one.late_loss,
        "net_gain": one.net_gain,
        "loss_index": one.loss_index,
        "restenosis": _judgement(one.restenosis) if one.restenosis else None,
        "held_back": one.held_back,
    }


def _narrowest(one: Narrowest) -> dict[str, Any]:
    return {
        "mld_mm": one.mld.value,
        "mld_sd_mm": one.mld.sd,
        "ds_percent": one.ds_percent,
        "ds_sd_percent": one.ds_sd_percent,
        "position_mm": one.position_mm,
        "corrected": one.corrected,
        "missing_mm": one.missing_mm,
    }


def _judgement(one: Judgement) -> dict[str, Any]:
    return {
        "id": one.rule.id,
        "statement": one.rule.text,
        "value": one.value,
        "sd": one.sd,
        "threshold": one.threshold,
        "probability": one.probability,
        "verdict": one.verdict,
        "holds": one.holds,
        "held_back": one.held_back,
        "source": one.rule.source,
    }
