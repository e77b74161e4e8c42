"""Step 2: where the scale comes from."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QButtonGroup, QCheckBox, QComboBox, QDoubleSpinBox, QRadioButton, QWidget

from ui.desk.pieces import button, column, label, quietly, row, sentence, set_mark, set_text
from ui.desk.scale_seen import scale_seen
from ui.desk.work import CATHETER_ROLES, ScaleChoice, ScaleWay

if TYPE_CHECKING:
    from ui.desk.desk import Desk

FRENCH_SIZES = (4.0, 5.0, 6.0, 7.0, 8.0)
_WAYS: tuple[tuple[ScaleWay, str], ...] = (
    ("catheter", "A catheter in the frame"),
    ("typed", "A known scale, typed in"),
    ("header", "The file's header"),
    ("none", "None: stay in pixels"),
)


class ScalePanel(QWidget):
    """Catheter, typed scale, header, or none.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._ways = {way: QRadioButton(text) for way, text in _WAYS}
        group = QButtonGroup(self)
        for way, radio in self._ways.items():
            radio.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            group.addButton(radio)
            radio.clicked.connect(lambda _checked=False, way=way: self._choose(way))
        self._points = label()
        self._again = button("Set again", lambda: desk.picker.arm("catheter_a"), "C")
        self._french = QComboBox()
        self._french.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._french.setAccessibleName("French size of the catheter")
        self._french.addItem("French size…", None)
        for size in FRENCH_SIZES:
            self._french.addItem(f"{size:g} F  ({size / 3:.2f} mm)", size)
        self._french.activated.connect(self._french_chosen)
        self._mm = _number("Catheter's measured diameter", 0.0, 6.0, 0.01, " mm", "or measured")
        self._mm.setToolTip("Outer diameter measured with a caliper: labels often overstate it a little.")
        self._mm.valueChanged.connect(self._mm_typed)
        self._lumen = QCheckBox("the size is that of the filled lumen")
        self._lumen.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._lumen.clicked.connect(self._lumen_ticked)
        self._catheter = QWidget()
        column(self._catheter, row(self._points, self._again), row(self._french, self._mm), self._lumen, margin=14)
        self._scale = _number("Scale", 0.0, 5.0, 0.001, " mm per px", "scale", decimals=5)
        self._sd = _number(
            "Standard uncertainty of the scale", 0.0, 1.0, 0.001, " mm per px", "SD not known", decimals=5
        )
        self._scale.valueChanged.connect(self._scale_typed)
        self._sd.valueChanged.connect(self._scale_typed)
        self._typed = QWidget()
        column(self._typed, row(self._scale, label("±", wrap=False), self._sd), margin=14)
        self._result = label()
        self._doubts = label(mark="alarm")
        self._remarks = label(mark="hand")
        self._problem = label(mark="alarm")
        radios = list(self._ways.values())
        column(
            self, radios[0], self._catheter, radios[1], self._typed, *radios[2:],
            self._result, self._doubts, self._remarks, self._problem,
            row(1, button("Go on", desk.steps.accept, "Enter", "main")),
        )  # fmt: skip

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        way = desk.work.scale.way
        if way == "none":
            return "none: pixels"
        seen = scale_seen(desk)
        if seen is None:
            return "to be set" if not desk.work.has_scale else way
        spread = f" ± {seen.sd_mm_per_px:.4f}" if math.isfinite(seen.sd_mm_per_px) else ""
        return f"{seen.mm_per_px:.4f}{spread} mm per px"

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        work, choice = desk.work, desk.work.scale
        self._ways[choice.way].setChecked(True)
        for radio in self._ways.values():
            radio.setEnabled(desk.ready)
        self._catheter.setVisible(choice.way == "catheter")
        self._typed.setVisible(choice.way == "typed")
        missing = [role for role in CATHETER_ROLES if work.point(role) is None]
        words = {2: "Two points along the shaft: click them.", 1: "One more point along the shaft.", 0: "Shaft picked."}
        set_text(self._points, words[len(missing)])
        self._again.setVisible(len(missing) < 2)
        for widget, value in (
            (self._mm, choice.catheter_mm), (self._scale, choice.mm_per_px), (self._sd, choice.mm_per_px_sd)
        ):  # fmt: skip
            _show_number(widget, value)
        self._show_french(choice.french)
        self._lumen.setChecked(choice.filled_lumen)
        self._show_result(desk)

    def _show_french(self, size: float | None) -> None:
        index = self._french.findData(size)
        if index < 0 and size is not None:
            self._french.addItem(f"{size:g} F  ({size / 3:.2f} mm)", size)
            index = self._french.count() - 1
        if not self._french.view().isVisible():
            self._french.setCurrentIndex(max(index, 0))

    def _show_result(self, desk: Desk) -> None:
        seen = scale_seen(desk)
        shaft = desk.measuring.shown.shaft
        set_text(self._problem, sentence("" if shaft is None or seen is not None else shaft.problem))
        set_text(self._doubts, "\n".join(f"! {text}" for text in seen.doubts) if seen is not None else "")
        set_text(self._remarks, "\n".join(seen.remarks) if seen is not None else "")
        if seen is None:
            set_text(self._result, "measuring the shaft" if shaft is None and desk.work.has_scale else "")
            set_mark(self._result, "quiet")
            return
        value, sd = seen.mm_per_px, seen.sd_mm_per_px
        spread = f" ± {sd:.4f} ({100 * sd / value:.1f} %)" if math.isfinite(sd) else " (SD not known)"
        note = "" if seen.final else "\nFirst look; the vessel's own blur will refine it."
        set_text(self._result, f"{value:.4f}{spread} mm per px{note}")
        set_mark(self._result, {"good": "good", "early": "", "doubt": "alarm"}[seen.standing])

    # -- what is typed ----------------------------------------------------------------------------------------------

    def _choose(self, way: ScaleWay) -> None:
        choice = self._desk.history.work.scale
        if way == choice.way:
            return
        if way == "none":
            self._desk.picker.without_scale()
        else:
            label = {"catheter": "catheter as scale", "typed": "scale typed in", "header": "header's scale"}[way]
            self._desk.picker.set_scale(replace(choice, way=way), label)

    def _french_chosen(self, index: int) -> None:
        size = self._french.itemData(index)
        choice = replace(self._desk.history.work.scale, french=size)
        if size is not None:
            choice = replace(choice, catheter_mm=None, filled_lumen=False)
        self._desk.picker.set_scale(choice, "French size")

    def _mm_typed(self, value: float) -> None:
        choice = self._desk.history.work.scale
        size = round(value, 4) if value > 0 else None
        self._desk.picker.set_scale(replace(choice, catheter_mm=size, french=None if size else choice.french),
                             "catheter diameter", merge="catheter diameter")  # fmt: skip

    def _lumen_ticked(self) -> None:
        choice = self._desk.history.work.scale
        lumen = self._lumen.isChecked()
        self._desk.picker.set_scale(replace(choice, filled_lumen=lumen, french=None if lumen else choice.french),
                             "which diameter the size is")  # fmt: skip

    def _scale_typed(self, _value: float) -> None:
        value, sd = self._scale.value(), self._sd.value()
        typed = ScaleChoice("typed", mm_per_px=round(value, 6) if value > 0 else None,
                            mm_per_px_sd=round(sd, 6) if sd > 0 and value > 0 else None)  # fmt: skip
        self._desk.picker.set_scale(typed, "scale typed in", merge="scale")


def _number(
    name: str, low: float, high: float, step: float, unit: str, nothing: str, decimals: int = 3
) -> QDoubleSpinBox:
    made = QDoubleSpinBox()
    made.setRange(low, high)
    made.setDecimals(decimals)
    made.setSingleStep(step)
    made.setSuffix(unit)
    made.setSpecialValueText(nothing)
    made.setKeyboardTracking(False)
    made.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    made.setAccessibleName(name)
    return made


def _show_number(widget: QDoubleSpinBox, value: float | None) -> None:
    if widget.hasFocus() and widget.value() == (value or 0.0):
        return
    with quietly(widget):
        widget.setValue(value or 0.0)
