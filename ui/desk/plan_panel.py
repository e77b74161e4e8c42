"""Step 5: the facts of the case, the device table, and a device of one's own choice per role."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QFormLayout, QSpinBox, QWidget

from qca.errors import QcaError
from qca.sizing.case import Case, parse_case
from ui.desk.pieces import button, column, elided, label, quietly, row, set_text
from ui.desk.worksheet_text import FACT_TITLES

if TYPE_CHECKING:
    from ui.desk.desk import Desk
    from ui.desk.work import PlanChoice

_TABLES = "Device tables (*.csv);;All files (*)"
_CASES = "Case files (*.toml);;All files (*)"


class PlanPanel(QWidget):
    """Inputs of the worksheet; the worksheet itself stands beside.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._table = label()
        self._case = label(mark="quiet")
        self._devices_title = label("Devices, best first or your own choice", "quiet")
        self._facts: dict[str, QComboBox | QSpinBox] = {}
        form = QWidget()
        rows = QFormLayout(form)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setVerticalSpacing(2)
        fields = {field.name: field for field in dataclasses.fields(Case)}
        for name, title in FACT_TITLES.items():
            self._facts[name] = self._asked(fields[name])
            self._facts[name].setAccessibleName(title)
            rows.addRow(label(title, wrap=False), self._facts[name])
        self._devices = QWidget()
        self._device_rows = QFormLayout(self._devices)
        self._device_rows.setContentsMargins(0, 0, 0, 0)
        self._device_rows.setVerticalSpacing(1)
        self._device_rows.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapAllRows)
        self._listed: object = None
        self._sample = button(
            "Invented demo table", self._use_sample, "The shipped table; every device in it is invented"
        )
        column(
            self,
            # Facts before devices: they decide techniques, and on a low screen the lower part has to be scrolled to.
            row(label("Facts of the case", "quiet", wrap=False), 1, button("From a file…", self._ask_case)),
            self._case,
            form,
            self._table,
            row(button("Device table…", self._ask_table), self._sample, 1),
            self._devices_title,
            self._devices,
            row(1, button("Go on", desk.steps.accept, "Enter", "main")),
        )

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        plan = desk.work.plan
        return plan.technique.replace("_", " ") if plan.technique else ""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        plan = desk.history.work.plan
        name = Path(plan.devices).name if plan.devices else ""
        set_text(self._table, f"Devices: {elided(name, 40)}" if name else "No device table: targets only.")
        set_text(self._case, plan.case.note or "")
        self._sample.setVisible(not plan.devices)
        for fact, widget in self._facts.items():
            _show_fact(widget, getattr(plan.case, fact))
        self._list_devices(desk)

    def _asked(self, field: dataclasses.Field[Any]) -> QComboBox | QSpinBox:
        choices: tuple[Any, ...] = field.metadata["choices"]
        kind = str(field.type).split(" ", 1)[0]
        if kind == "bool":
            choices = (True, False)
        if choices:
            combo = _narrow_combo()
            combo.addItem("not stated", None)
            for choice in choices:
                words = {True: "yes", False: "no"}.get(choice, str(choice).replace("_", " "))
                combo.addItem(words, choice)
            combo.activated.connect(partial(self._combo_chosen, field.name, combo))
            combo.setToolTip(field.metadata["meaning"])
            return combo
        low, high = field.metadata["range"]
        spin = QSpinBox()
        spin.setRange(int(low) - 1, int(min(high, 999)))
        spin.setSpecialValueText("not stated")
        spin.setKeyboardTracking(False)
        spin.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        spin.setToolTip(field.metadata["meaning"])
        spin.valueChanged.connect(partial(self._number_typed, field.name, int(low) - 1))
        return spin

    # -- what is chosen ---------------------------------------------------------------------------------------------

    def _change(self, label: str, merge: str = "", **changes: Any) -> None:  # noqa: ANN401 - fields of PlanChoice
        work = self._desk.history.work
        plan: PlanChoice = replace(work.plan, **changes)
        self._desk.change(replace(work, plan=plan), label, merge)

    def _combo_chosen(self, name: str, combo: QComboBox, index: int) -> None:
        self._fact(name, combo.itemData(index))

    def _number_typed(self, name: str, nothing: int, value: int) -> None:
        self._fact(name, None if value == nothing else value, merge=name)

    def _fact(self, name: str, value: object, merge: str = "") -> None:
        changes: dict[str, Any] = {name: value}
        self._change(FACT_TITLES[name].lower(), merge, case=replace(self._desk.history.work.plan.case, **changes))

    def _ask_table(self) -> None:
        path = self._desk.prompts.file("Device table", self._start(), _TABLES)
        if path is not None:
            self.use_table(path)

    def use_table(self, path: Path) -> None:
        """Take a device table."""
        self._change("device table", devices=str(path.resolve()), fixed=())

    def _use_sample(self) -> None:
        from ui.cli.samples import samples_folder

        try:
            self.use_table(samples_folder() / "demo_devices.csv")
        except QcaError as error:
            self._desk.say(str(error), alarm=True)

    def _ask_case(self) -> None:
        path = self._desk.prompts.file("Case file", self._start(), _CASES)
        if path is not None:
            self.use_case(path)

    def use_case(self, path: Path) -> None:
        """Take facts from a case file."""
        from ui.cli.input_text import read_text

        try:
            text, _ = read_text(path, "case file")
            case = parse_case(text, name=path.name)
        except QcaError as error:
            self._desk.say(str(error), alarm=True)
            return
        self._change("case file", case=case, technique=case.technique or self._desk.history.work.plan.technique)

    def _start(self) -> Path:
        plan = self._desk.history.work.plan
        if plan.devices:
            return Path(plan.devices).parent
        return self._desk.file.parent if self._desk.file is not None else Path.cwd()

    # -- devices ----------------------------------------------------------------------------------------------------

    def _list_devices(self, desk: Desk) -> None:
        """Offer, for each role of the chosen technique, the devices of the table that come into question."""
        sheet, plan = desk.measuring.shown.worksheet, desk.history.work.plan
        now = (id(sheet), plan.fixed, plan.technique)
        if now == self._listed:
            return
        self._listed = now
        while self._device_rows.rowCount():
            self._device_rows.removeRow(0)
        self._devices_title.setVisible(sheet is not None and bool(plan.devices))
        if sheet is None or not plan.devices:
            return
        fixed = dict(plan.fixed)
        roles: dict[str, tuple[str, list[str]]] = {}
        for size in sheet["sizes"]:
            if plan.technique is None or plan.technique in size["techniques"]:
                name, labels = roles.setdefault(size["role"], (size["name"], []))
                labels += [device["label"] for device in size["devices"] if device["label"] not in labels]
        for role, (name, labels) in roles.items():
            combo = _narrow_combo()
            combo.addItem("best of the table", None)
            chosen = fixed.get(role)
            for text in labels if chosen is None or chosen in labels else [chosen, *labels]:
                combo.addItem(text, text)
            combo.setCurrentIndex(max(combo.findData(chosen), 0))
            combo.activated.connect(partial(self._device_chosen, role, combo))
            combo.setAccessibleName(name)
            self._device_rows.addRow(label(elided(name, 44), wrap=False), combo)

    def _device_chosen(self, role: str, combo: QComboBox, index: int) -> None:
        chosen = combo.itemData(index)
        fixed = {key: value for key, value in self._desk.history.work.plan.fixed if key != role}
        if chosen is not None:
            fixed[role] = chosen
        self._change("device", fixed=tuple(sorted(fixed.items())))


def _narrow_combo() -> QComboBox:
    """Make a list that does not grow with its longest entry; its opened part does."""
    combo = QComboBox()
    combo.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    combo.setMinimumContentsLength(8)
    return combo


def _show_fact(widget: QComboBox | QSpinBox, value: Any) -> None:  # noqa: ANN401 - a fact of the case
    with quietly(widget):
        if isinstance(widget, QSpinBox):
            widget.setValue(widget.minimum() if value is None else int(value))
        else:
            widget.setCurrentIndex(max(widget.findData(value), 0))
