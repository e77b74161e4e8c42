"""How a worksheet is laid out on A4: on one page where its type can be large enough, else on two or more.

A page without scripts cannot measure itself, so the heights are estimated from the lengths of its texts. The tests hold
the estimate against a browser where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LARGEST_PT, SMALLEST_PT = 8.0, 7.0
"""Type under 7 points is not read beside a table with a patient on it."""

_WIDTH_MM, _HEIGHT_MM = 194.0, 285.0
"""A4 less the margins of page.css."""
_SPARE_MM = 3.0
_EM_MM = 0.3528
_LINE = 1.18
"""Line height of page.css, em."""
_LETTER, _BOLD_LETTER = 0.5, 0.56
"""Width of an average letter, em."""
_DRAWING_MM, _MEASURED_MM = 64.0, 96.0
"""Height of the overview and width of the numbers beside it."""
_ROLE_EM, _OTHER_COLUMNS_EM = 17.0, 59.0
"""Widths in the table of sizes: of the roles, and of all columns but the device's."""
_CARD_RATIO = 0.75
"""Height over width of a technique's drawing."""
_STEP_COLUMNS = 3


@dataclass(frozen=True, slots=True)
class PrintLayout:
    """How a worksheet is printed.

    Parameters
    ----------
    size_pt : float
        Size of its type, never under `SMALLEST_PT`.
    steps_apart : bool
        True when the steps begin on a page of their own. What fills more than that runs on, each page with the head of
        the first.
    """

    size_pt: float
    steps_apart: bool


def print_layout(view: Mapping[str, Any]) -> PrintLayout:
    """Choose pages and type, in tenths of a point, from what will be shown.

    Parameters
    ----------
    view : mapping
        The page's contents, as its template gets them.
    """
    room = _HEIGHT_MM - _SPARE_MM
    sizes = [tenths / 10.0 for tenths in range(round(10 * LARGEST_PT), round(10 * SMALLEST_PT) - 1, -1)]
    for steps_apart in (False, True) if view["steps"] else (False,):
        for size in sizes:
            page = _Page(size)
            before, after = page.before_steps_mm(view), page.from_steps_mm(view)
            if page.head(view) + (max(before, after) if steps_apart else before + after) <= room:
                return PrintLayout(size, steps_apart)
    return PrintLayout(SMALLEST_PT, steps_apart=False)


class _Page:
    """Heights on paper at one font size, mm."""

    def __init__(self, size_pt: float) -> None:
        self.em = size_pt * _EM_MM
        self.line = _LINE * self.em

    def lines(self, text: str, width_mm: float, letter: float = _LETTER) -> int:
        """Count the lines that a text takes in a column; a word that does not fit leaves a rest."""
        if not text:
            return 0
        letters = max(1.0, width_mm / (letter * self.em))
        return math.ceil((len(text) + 2.0) / letters)

    def rows(self, texts: Sequence[str], width_mm: float, gap_mm: float = 0.45) -> float:
        """Give the height of table rows, one text each."""
        return sum(max(1, self.lines(text, width_mm)) * self.line + gap_mm for text in texts)

    def before_steps_mm(self, view: Mapping[str, Any]) -> float:
        """Give the height of what stands before the steps."""
        headings = 2 * (1.2 * self.line + 1.1)
        return headings + self.alarms(view) + self.measured(view) + self.techniques(view) + self.sizes(view)

    def from_steps_mm(self, view: Mapping[str, Any]) -> float:
        """Give the height of the steps and what to know."""
        headings = 2 * (1.2 * self.line + 1.1)
        return (
            headings
            + self.steps(view)
            + self.rows([_joined(view["remarks"], "message") + view["consensus"]], _WIDTH_MM)
        )

    def head(self, view: Mapping[str, Any]) -> float:
        """Give the height of what each page begins with: caution and title."""
        title = f"{'x' * 34}{view['file']}{view['scale']}{view['devices']}{view['case']}{'x' * 50}"
        return self.rows([view["caution"], title], _WIDTH_MM - 4.0, 1.2) + 0.5 * self.em

    def alarms(self, view: Mapping[str, Any]) -> float:
        """Give the height of what must not be relied on."""
        alarms = [f"{one['where']}: {one['message']}" for one in view["alarms"]]
        conflicts = [f"{one['role']}{one['label']}{one['text']}{one['where']}" for one in view["conflicts"]]
        fixed = ", ".join(" = ".join(pair) for pair in view["fixed"])
        boxes = [part for part in ([fixed, *conflicts] if fixed else [], alarms) if part]
        return sum(self.rows(box, _WIDTH_MM - 8.0, 0.0) + 2 * self.line + 2.5 for box in boxes)

    def measured(self, view: Mapping[str, Any]) -> float:
        """Give the height of the overview, the numbers beside it, laws and criteria under it."""
        flagged = [limb["held_back"] for limb in view["limbs"] if limb["held_back"]]
        texts = ["", *("" for _ in view["limbs"]), *flagged, *(value for _, value in view["derived_numbers"])]
        beside = self.rows(texts, _MEASURED_MM - 18.0, 0.6)
        below = self.rows([value for _, value in view["criteria_met"]], _WIDTH_MM - 18.0, 0.6)
        return max(_DRAWING_MM + 2 * self.line + 0.5, beside) + below + 0.5

    def techniques(self, view: Mapping[str, Any]) -> float:
        """Give the height of the tallest card, the legend and what decides."""
        cards = view["techniques"]
        width = _WIDTH_MM / len(cards) - 2.6
        texts = [f"{one['layers']}; {one['stents']}" for one in cards]
        card = 3.6 * self.line + _CARD_RATIO * width + max(self.rows([text], width) for text in texts)
        meanings = "".join(view["meanings"].values())
        legend = self.rows(["x" * 320 + meanings + view["decision"]], _WIDTH_MM)
        reasons = [f"{'; '.join(one['reasons'])}{' Not known: ' * bool(one['open'])}{one['open']}" for one in cards]
        return card + legend + self.rows(["", *reasons], _WIDTH_MM - 12.5 * self.em, 0.6) + 1.8

    def sizes(self, view: Mapping[str, Any]) -> float:
        """Give the height of the table of sizes."""
        device_mm = max(25.0, _WIDTH_MM - _OTHER_COLUMNS_EM * self.em)
        lines = 0
        for one in view["sizes"]:
            device = " ".join((one["label"], "(fixed by the user)" * one["fixed"], *one["problems"]))
            role = self.lines(one["title"], _ROLE_EM * self.em)
            lines += max(role, self.lines(device, device_mm))
        return (lines + 1.3) * self.line + 0.6 * len(view["sizes"]) + self.rows(["x" * 160], _WIDTH_MM)

    def steps(self, view: Mapping[str, Any]) -> float:
        """Give the height of the steps in columns."""
        width = (_WIDTH_MM - 6.0) / _STEP_COLUMNS - 4.0
        lines = 0
        for one in view["steps"]:
            wires = f" Wires: {one['wires']}" * bool(one["wires"]) + f" no usable wire: {one['lost']}" * bool(
                one["lost"]
            )
            measure = f" Measure: {one['measure_after']}" * bool(one["measure_after"])
            bold = "x" * round(len(one["devices"]) * _BOLD_LETTER / _LETTER)
            lines += self.lines(f"{one['action']}{bold}{wires}{' (done)' * one['done']}", width)
            lines += self.lines(f"Before going on: {one['check_before_next']}{measure}", width)
        return (lines / _STEP_COLUMNS + 0.7) * self.line + 0.3 * len(view["steps"]) / _STEP_COLUMNS


def _joined(items: Sequence[Mapping[str, str]], key: str) -> str:
    return " ".join(one[key] for one in items)
