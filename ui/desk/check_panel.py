"""Step 4: flags in plain words, tools to mend, and the list of what was mended."""

from __future__ import annotations

import math
from functools import partial
from html import escape
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDoubleSpinBox, QLabel, QPushButton, QVBoxLayout, QWidget

from qca.picks import LIMBS
from qca.report.palette import INKS
from qca.report.remarks import remarks
from ui.desk.mending import in_words
from ui.desk.pieces import button, column, label, quietly, row, sentence, set_text

if TYPE_CHECKING:
    from qca.reading import Reading
    from ui.desk.desk import Desk
    from ui.desk.mender import Tool

_TOOLS: tuple[tuple[Tool, str, str], ...] = (
    ("redraw", "Redraw wall", "W: draw along the edge; the nearest wall follows"),
    ("exclude", "Leave out", "X: drag along the vessel over the stretch to be left out"),
    ("path", "Lead path", "T: click where the vessel really runs"),
)


class CheckPanel(QWidget):
    """Look at the contours, read the flags, mend what is wrong.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._problem = label(mark="alarm")
        self._flags = QLabel()
        self._flags.setWordWrap(True)
        self._flags.setTextFormat(Qt.TextFormat.RichText)
        self._tools: dict[Tool, QPushButton] = {}
        for tool, text, tip in _TOOLS:
            self._tools[tool] = button(text, partial(desk.mender.take, tool), tip)
            self._tools[tool].setCheckable(True)
        self._references: dict[str, tuple[QWidget, QDoubleSpinBox, QPushButton]] = {}
        references = []
        for limb in (*LIMBS, "segment"):
            spin = QDoubleSpinBox()
            spin.setRange(0.0, 999.0)
            spin.setDecimals(2)
            spin.setSingleStep(0.05)
            spin.setKeyboardTracking(False)
            spin.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
            spin.setAccessibleName(f"{INKS[limb].title} RVD")
            spin.setToolTip("The reference diameter (RVD), set by hand over the whole limb")
            spin.valueChanged.connect(partial(self._reference, limb))
            free = button("measured", partial(desk.mender.reference, limb, None), "Take the measured RVD again")
            line = row(label(f"{INKS[limb].title} RVD", wrap=False), 1, spin, free)
            self._references[limb] = (line, spin, free)
            references.append(line)
        self._edits = QWidget()
        self._edit_rows = QVBoxLayout(self._edits)
        self._edit_rows.setContentsMargins(0, 0, 0, 0)
        self._edit_rows.setSpacing(1)
        self._listed: tuple[object, ...] = ()
        self._automatic = button(
            "Automatic result again", desk.mender.automatic, "A: take all edits away; undo brings them back"
        )
        self._refuse = button(
            "Cannot be read…", desk.reads.refuse, "Ctrl+R: enter the reason into the record, and go on"
        )
        self._go = button("Go on", desk.steps.accept, "Enter", "main")
        self._mending = QWidget()
        column(self._mending, row(*self._tools.values(), 1), *references, self._edits, margin=0)
        column(
            self, self._problem, self._flags, self._mending,
            row(self._automatic, 1, self._refuse, self._go),
        )  # fmt: skip

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        edits, doubts = len(desk.work.own_edits), desk.mender.doubtful
        by_hand = f"{edits} edit{'s' if edits != 1 else ''} by hand"
        if edits and doubts:  # the sign before the step says what kind of flags
            return f"{doubts} flag{'s' if doubts != 1 else ''}, {by_hand}"
        if doubts:
            return f"{doubts} flag{'s spoil' if doubts != 1 else ' spoils'} numbers"
        return by_hand if edits else ""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        measured = desk.measuring.shown.measured
        reading = None if measured is None else measured.reading  # stays while a newer one is computed: nothing jumps
        self._flags.setEnabled(desk.measuring.fresh)
        set_text(self._problem, sentence(desk.measuring.shown.problem))
        if desk.measuring.standing != "provisional":  # the flags wait for the measurement: nothing jumps
            text = flags_html(reading, alarm=desk.look.alarm, quiet=desk.look.quiet) if reading is not None else ""
            if text != self._flags.text():
                self._flags.setText(text)
            self._flags.setVisible(bool(text))
        self._mending.setVisible(reading is not None or bool(desk.work.own_edits))
        for tool, made in self._tools.items():
            made.setChecked(desk.mender.tool == tool)
        for limb, (line, spin, free) in self._references.items():
            line.setVisible(reading is not None and limb in reading.limbs)
            line.setEnabled(desk.mender.only_edits_since)
            if reading is not None and limb in reading.limbs and desk.measuring.fresh:
                self._show_reference(desk, reading, limb, spin, free)
        self._list_edits(desk)
        self._automatic.setEnabled(bool(desk.work.edits))
        self._go.setEnabled(desk.measuring.fresh)
        self._refuse.setVisible(desk.steps.refused and desk.reads.listed)

    def _show_reference(self, desk: Desk, reading: Reading, limb: str, spin: QDoubleSpinBox, free: QPushButton) -> None:
        factor, unit = _unit(reading)
        value = reading.limbs[limb].reference_px * factor
        forced = any(edit.kind == "reference" and edit.limb == limb for edit in desk.work.edits)
        free.setEnabled(forced)
        if spin.hasFocus() and abs(spin.value() - value) < 0.005:
            return
        with quietly(spin):
            spin.setSuffix(f" {unit}")
            spin.setValue(value if math.isfinite(value) else 0.0)

    def _reference(self, limb: str, value: float) -> None:
        measured = self._desk.measuring.shown.measured
        if measured is not None and self._desk.mender.only_edits_since and value > 0:
            self._desk.mender.reference(limb, value / _unit(measured.reading)[0])

    def _list_edits(self, desk: Desk) -> None:
        edits = desk.work.edits
        own = desk.work.own_edits
        measured = desk.measuring.shown.measured
        scale = None if measured is None or not desk.mender.only_edits_since else measured.reading.scale
        now = (edits, desk.look.name, scale)
        if now == self._listed or (desk.measuring.busy and now[:2] == self._listed[:2]):
            return  # lengths keep their unit until there is a reading again: nothing jumps
        self._listed = now
        while (item := self._edit_rows.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.setParent(None)
                widget.deleteLater()
        for index, edit in enumerate(edits):
            if edit in own:
                away = button("✕", partial(desk.mender.remove, index), "Take this edit away", "plain")
                self._edit_rows.addWidget(row(label(in_words(edit, scale), "hand", wrap=False), 1, away))


def flags_html(reading: Reading, *, alarm: str, quiet: str) -> str:
    """Write flags in plain words with what to do, those that spoil numbers first."""
    found = remarks(reading)
    if not found:
        return (
            f"<span style='color:{quiet}'>No flags. Compare the lines with the vessel before using the numbers.</span>"
        )
    lines = []
    for remark in found:
        place = escape(remark.place)
        name = escape(f"{remark.name[:1].upper()}{remark.name[1:]}")
        head = f"<b>{name}</b> ({place})"
        if remark.untrusted:
            head = f"<span style='color:{alarm}'><b>! {name}</b> ({place}): do not rely on these numbers</span>"
        lines.append(f"{head}<br><span style='color:{quiet}'>{escape(_advice(remark.advice))}</span>")
    return "<br>".join(lines)


def _advice(text: str) -> str:
    """Say what to do where no heading asks for it: the flag table's "None needed" answers "What to do"."""
    nothing, found, rest = text.partition("None needed")
    if nothing or not found:
        return text
    rest = rest.lstrip("; ")
    return f"Nothing to do: {rest}" if rest.strip(".") else "Nothing to do."


def _unit(reading: Reading) -> tuple[float, str]:
    return (1.0, "px") if reading.scale is None else (reading.scale.mm_per_px, "mm")
