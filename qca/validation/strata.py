"""Breakdowns: which values belong together."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from qca.validation.run import Results, Trait
from qca.validation.value import Method, Quantity, Value

Label = Callable[[Value, Trait], str | None]


@dataclass(frozen=True, slots=True)
class Breakdown:
    """A way to split the values: its title, its labels in order, and the function that labels a value."""

    name: str
    title: str
    labels: tuple[str, ...]
    label: Label


def _bins(edges: Sequence[float], unit: str) -> tuple[tuple[str, ...], Callable[[float], str | None]]:
    """Labels of half-open intervals, and the one of a number; None outside all of them.

    A first edge of 0 reads "under", a last edge of infinity "from".
    """

    def text(low: float, high: float) -> str:
        if math.isinf(high):
            return f"from {low:g} {unit}".strip()
        if low == 0:
            return f"under {high:g} {unit}".strip()
        return f"{low:g}-{high:g} {unit}".strip()

    labels = tuple(text(low, high) for low, high in pairwise(edges))

    def of(number: float) -> str | None:
        if not math.isfinite(number):
            return None
        for (low, high), label in zip(pairwise(edges), labels, strict=True):
            if low <= number < high:
                return label
        return None

    return labels, of


def _trait_bins(name: str, title: str, trait: str, edges: Sequence[float], unit: str) -> Breakdown:
    labels, of = _bins(edges, unit)
    return Breakdown(name, title, labels, lambda _, case: of(case.numbers.get(trait, math.nan)))


def _by_truth(name: str, title: str, quantities: Sequence[str], edges: Sequence[float], unit: str) -> Breakdown:
    labels, of = _bins(edges, unit)
    return Breakdown(name, title, labels, lambda value, _: of(value.truth) if value.quantity in quantities else None)


_DIAMETERS = ("mld_mm", "mld_scale_apart_mm", "reference_mm", "reference_scale_apart_mm")
_PLACE_LABELS = ("none", "at the mouth", "further out")
_PLACES = {"none": "none", "mouth": "at the mouth", "shaft": "further out"}

WALL = _trait_bins("wall", "catheter wall over medium", "wall_ratio", (0, 0.93, 1.07, math.inf), "")
"""By how densely the catheter's wall attenuates, the contrast medium being 1."""
WALL_AS_ASSUMED = WALL.labels[1]

BREAKDOWNS: tuple[Breakdown, ...] = (
    _by_truth("diameter", "true diameter", _DIAMETERS, (0, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, math.inf), "mm"),
    _by_truth("stenosis", "true percent stenosis", ("ds_percent",), (0, 1, 30, 50, 70, math.inf), "%"),
    _trait_bins("noise", "photons per pixel", "photons_per_px", (0, 500, 900, 1500, math.inf), ""),
    _trait_bins("pixel", "pixel size", "mm_per_px", (0, 0.17, 0.20, 0.23, math.inf), "mm"),
    _trait_bins("blur", "blur (SD)", "blur_mm", (0, 0.18, 0.215, 0.25, math.inf), "mm"),
    _trait_bins("angle", "true angle B", "angle_b_deg", (0, 50, 65, 80, math.inf), "degrees"),
    _trait_bins("grey", "bits of a grey value", "bits", (0, 9, 11, math.inf), "bits"),
    _trait_bins("catheter", "catheter", "french", (0, 5.5, 6.5, math.inf), "F"),
    WALL,
    Breakdown(
        "place", "lesion place", _PLACE_LABELS, lambda value, case: _PLACES.get(case.places.get(value.where, ""))
    ),
    Breakdown(
        "limb",
        "limb",
        ("proximal", "distal", "side", "segment"),
        lambda value, _: value.where if value.where in ("proximal", "distal", "side", "segment") else None,
    ),
)
"""The breakdowns of the report."""


def by_quantity(values: Sequence[Value], method: Method) -> Mapping[Quantity, list[Value]]:
    """Values of one method, by quantity."""
    out: dict[Quantity, list[Value]] = {}
    for value in values:
        if value.method == method:
            out.setdefault(value.quantity, []).append(value)
    return out


def split(values: Sequence[Value], breakdown: Breakdown, traits: Mapping[str, Trait]) -> dict[str, list[Value]]:
    """Values by label, empty ones left out, in the breakdown's order."""
    groups: dict[str, list[Value]] = {label: [] for label in breakdown.labels}
    for value in values:
        label = breakdown.label(value, traits[value.case])
        if label is not None:
            groups[label].append(value)
    return {label: group for label, group in groups.items() if group}


def plain_part(results: Results) -> tuple[Value, ...]:
    """Values of the frames without an added difficulty and with their own number of quanta."""
    plain = {trait.case for trait in results.traits if not trait.difficulty and not trait.level}
    return tuple(value for value in results.values if value.case in plain)
