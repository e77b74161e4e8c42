"""What the measuring process is sent, and what its answers say, as values of the desk. No Qt."""

from __future__ import annotations

from typing import Any

import numpy as np

from qca import codec
from qca.document import parse_reading, reading_from_json
from qca.picks_file import picks_to_json
from ui.desk.calculator import Answer
from ui.desk.shown import Key, Measured, ShaftShown
from ui.desk.work import Work


def message(key: Key) -> dict[str, Any]:
    """Ask about a file with picks and settings."""
    file, picks, settings = key
    return {"file": file, "picks": picks_to_json(picks), "settings": codec.encode(settings)}


def plan_message(work: Work) -> dict[str, Any]:
    """Say what a worksheet needs beside the reading."""
    plan = work.plan
    return {
        "devices": plan.devices,
        "case": codec.encode(plan.case),
        "fixed": [list(pair) for pair in plan.fixed],
        "technique": plan.technique,
    }


def measured_in(answer: Answer) -> Measured | None:
    """Take the reading or the glance out of an answer; None where there is none."""
    if answer.result is None:
        return None
    if answer.job == "measure":
        text = answer.result["reading"]
        return Measured(parse_reading(text), text)
    if answer.job == "glance":
        return Measured(reading_from_json(answer.result["glance"]), "")
    return None


def shaft_in(answer: Answer) -> ShaftShown:
    """Take the catheter out of an answer, or what is wrong with it."""
    if answer.result is None:
        return ShaftShown(problem=answer.error)
    scale = answer.result["scale"] or {}
    walls = [
        None if wall is None else np.array(wall, dtype=float).reshape(-1, 2)
        for wall in (answer.result["left_px"], answer.result["right_px"])
    ]
    mm, sd = (scale.get(name) for name in ("mm_per_px", "sd_mm_per_px"))
    return ShaftShown(
        float("nan") if mm is None else mm,
        float("nan") if sd is None else sd,
        tuple(answer.result["codes"]),
        walls[0],
        walls[1],
    )
