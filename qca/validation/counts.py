"""Counts of the validation: right codes, warnings, hard frames, noise levels, speed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from qca.validation.run import Results
from qca.validation.strata import by_quantity, plain_part
from qca.validation.summary import summarise, wilson
from qca.validation.tables import NAMES, Table, number
from qca.validation.value import METHODS, Method, Quantity, Value

SEEN_MM = 0.3
"""An error of a minimal diameter above this has to be flagged."""

HEALTHY_PERCENT = 15.0
"""A healthy limb should read a DS under this."""

SURE = 0.8
"""A wrong Medina digit should not have been stated with this probability or more."""


def _medina_right(values: Sequence[Value]) -> tuple[int, int, list[float]]:
    """Frames with the right code, all frames, and the stated probability of each wrong digit's value."""
    cases: dict[str, bool] = {}
    sure: list[float] = []
    for value in values:
        right = value.measured == value.truth
        cases[value.case] = cases.get(value.case, True) and right
        if not right and math.isfinite(value.measured) and math.isfinite(value.sd):
            sure.append(value.sd if value.measured == 1 else 1 - value.sd)
    return sum(cases.values()), len(cases), sure


def shares(results: Results) -> Table:
    """Shares of frames and limbs: refusals, right codes, healthy limbs, wrong numbers that are flagged."""
    plain = plain_part(results)
    hard_names = {trait.case for trait in results.traits if trait.difficulty}
    hard = [value for value in results.values if value.case in hard_names]
    rows: list[tuple[str, ...]] = []

    def add(label: str, hits: dict[Method, tuple[int, int]]) -> None:
        rows.append((label, *(_share(*hits[method]) if method in hits else "-" for method in METHODS)))

    groups = {method: by_quantity(plain, method) for method in METHODS}
    plain_names = {trait.case for trait in results.traits if not trait.difficulty and not trait.level}
    refused = {
        method: len({r.case for r in results.refusals if r.method == method and r.case in plain_names})
        for method in METHODS
    }
    ran = [method for method in METHODS if groups[method] or refused[method]]
    add(
        "frames without an added difficulty that gave a reading",
        {m: (len(plain_names) - refused[m], len(plain_names)) for m in ran},
    )
    codes = {m: _medina_right(groups[m].get("medina_digit", [])) for m in ran}
    add("Medina codes right", {m: (right, n) for m, (right, n, _) in codes.items() if n})
    sure = codes["joint fit"][2] if "joint fit" in codes else []
    add(
        "wrong Medina digits whose stated probability was 80 % or more",
        {"joint fit": (sum(p >= SURE for p in sure), len(sure))},
    )
    healthy = {m: [v for v in groups[m].get("ds_percent", []) if v.truth < 1] for m in ran}
    add(
        f"healthy limbs that read under {HEALTHY_PERCENT:g} % DS",
        {m: (sum(v.measured < HEALTHY_PERCENT for v in part), len(part)) for m, part in healthy.items()},
    )
    ours = groups["joint fit"].get("mld_scale_apart_mm", [])
    add(
        "limbs of frames without an added difficulty that carry a warning",
        {"joint fit": (sum(v.untrusted for v in ours), len(ours))},
    )
    if hard:
        found = by_quantity(hard, "joint fit").get("mld_scale_apart_mm", [])
        wrong = [v for v in found if not abs(v.error) <= SEEN_MM]
        add(
            f"hard frames: MLD errors above {SEEN_MM:g} mm that carry a warning",
            {"joint fit": (sum(v.untrusted for v in wrong), len(wrong))},
        )
    return Table(
        "Shares", ("", *METHODS), tuple(rows), "95 % intervals in brackets (Wilson EB, J Am Stat Assoc 1927;22:209)."
    )


def _share(hits: int, n: int) -> str:
    if n == 0:
        return "none"
    low, high = wilson(hits, n)
    return f"{hits} of {n}, {100 * hits / n:.1f} % ({100 * low:.0f}-{100 * high:.0f})"


def difficulty_table(results: Results) -> Table | None:
    """Tabulate MLD errors by difficulty, scale apart, and how many carry a warning; None without hard frames."""
    names: dict[str, set[str]] = {}
    for trait in results.traits:
        if trait.difficulty:
            names.setdefault(trait.difficulty, set()).add(trait.case)
    if not names:
        return None
    rows = []
    everything: list[Value] = []
    for difficulty, cases in names.items():
        group = [v for v in results.values if v.case in cases and v.method == "joint fit"]
        everything += group
        rows.append(_difficulty_row(difficulty.replace("_", " "), group, len(cases), _refused(results, cases)))
    every = set().union(*names.values())
    rows.append(_difficulty_row("all", everything, len(every), _refused(results, every)))
    head = (
        "",
        "frames",
        "refused",
        "MLD bias, mm",
        "MLD SD, mm",
        "reference SD, mm",
        "DS SD, points",
        "scale SD, %",
        f"MLD errors over {SEEN_MM:g} mm",
        "of them with a warning",
    )
    return Table("Frames with one added difficulty", head, tuple(rows), "Lengths with the scale's error taken off.")


def _refused(results: Results, cases: set[str]) -> int:
    return sum(r.case in cases and r.method == "joint fit" for r in results.refusals)


def _difficulty_row(label: str, values: Sequence[Value], frames: int, refused: int) -> tuple[str, ...]:
    groups = by_quantity(values, "joint fit")

    def sd(quantity: Quantity) -> str:
        return number(summarise(groups.get(quantity, [])).sd, NAMES[quantity][2])

    mld = groups.get("mld_scale_apart_mm", [])
    wrong = [value for value in mld if not abs(value.error) <= SEEN_MM]
    return (
        label,
        str(frames),
        str(refused),
        number(summarise(mld).bias, 3, sign=True),
        sd("mld_scale_apart_mm"),
        sd("reference_scale_apart_mm"),
        sd("ds_percent"),
        sd("scale_percent"),
        str(len(wrong)),
        str(sum(value.untrusted for value in wrong)),
    )


def level_table(results: Results) -> Table | None:
    """Tabulate SD of MLD, reference and DS at fixed numbers of quanta; None without such frames."""
    levels: dict[float, set[str]] = {}
    for trait in results.traits:
        if trait.level:
            levels.setdefault(trait.numbers["photons_per_px"], set()).add(trait.case)
    if not levels:
        return None
    quantities: tuple[Quantity, ...] = ("mld_mm", "mld_scale_apart_mm", "reference_scale_apart_mm", "ds_percent")
    rows = []
    for level in sorted(levels):
        for method in METHODS:
            groups = by_quantity([v for v in results.values if v.case in levels[level]], method)
            if not groups:
                continue
            cells = []
            for quantity in quantities:
                found, decimals = summarise(groups.get(quantity, [])), NAMES[quantity][2]
                cells += [
                    number(found.bias, decimals, sign=True),
                    number(found.sd, decimals),
                    number(found.coverage, 1),
                ]
            rows.append((f"{level:g}: {method}", str(len(levels[level])), *cells))
    head = ["photons per pixel", "frames"]
    for quantity in quantities:
        name, unit, _ = NAMES[quantity]
        head += [f"{name}: bias, {unit}", "SD", "coverage, %"]
    return Table("The same frames at three noise levels", tuple(head), tuple(rows))


def speed_row(results: Results) -> str:
    """Median time of each method and their ratio, in words."""
    times = {m: [seconds for _, method, seconds in results.seconds if method == m] for m in METHODS}
    if not times["joint fit"]:
        return ""
    ours = median(times["joint fit"])
    text = f"Median time per frame: {ours:.2f} s"
    if times["off the shelf"]:
        theirs = median(times["off the shelf"])
        text += f"; off-the-shelf pipeline {theirs:.2f} s (ratio {ours / theirs:.2f})"
    return text + "."
