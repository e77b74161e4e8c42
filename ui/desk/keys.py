"""Every key of the desk, in one table: the menus, the list of keys and the README come from here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from ui.desk.guide import TITLES, Step

if TYPE_CHECKING:
    from ui.desk.desk import Desk
    from ui.desk.work import Role


@dataclass(frozen=True, slots=True)
class Key:
    """One action: menu, words, keys as Qt writes them, what it does."""

    menu: str
    text: str
    keys: tuple[str, ...]
    action: Callable[[], object]


def key_table(desk: Desk) -> tuple[Key, ...]:
    """List the actions of a desk with their keys."""
    opener, keeper = desk.opener, desk.keeper
    mender, picker, scrubber = desk.mender, desk.picker, desk.scrubber

    def point(bifurcation: Role, segment: Role) -> None:
        picker.arm(segment if desk.work.segment else bifurcation)

    def side_branch() -> None:
        if not desk.work.segment:
            picker.arm("side")

    return (
        Key("File", "Open…", ("Ctrl+O",), opener.ask_and_open),
        Key("File", "Open the shipped sample", ("Ctrl+D",), opener.open_sample),
        Key("File", "Open a reading list…", ("Ctrl+L",), desk.reads.ask_and_open),
        Key("File", "Next file, or next frame of the list", ("N", "PgDown"), keeper.next_file),
        Key("File", "Save picks and reading, or enter them", ("Ctrl+S",), keeper.save),
        Key("File", "Save elsewhere…", ("Ctrl+Shift+S",), keeper.save_elsewhere),
        Key("File", "Write the report…", ("Ctrl+E",), keeper.report),
        Key("File", "Enter that this frame cannot be read…", ("Ctrl+R",), desk.reads.refuse),
        Key("Edit", "Undo", ("Ctrl+Z",), desk.undo),
        Key("Edit", "Redo", ("Ctrl+Shift+Z", "Ctrl+Y"), desk.redo),
        Key("Edit", "Start afresh on this file", (), opener.start_afresh),
        Key("Frame", "Next frame", ("Right",), partial(scrubber.step, 1)),
        Key("Frame", "Previous frame", ("Left",), partial(scrubber.step, -1)),
        Key("Frame", "Ten frames on", ("Shift+Right",), partial(scrubber.step, 10)),
        Key("Frame", "Ten frames back", ("Shift+Left",), partial(scrubber.step, -10)),
        Key("Frame", "First frame", ("Home",), partial(scrubber.show, 0)),
        Key("Frame", "Last frame", ("End",), scrubber.show_last),
        Key("Frame", "Show the suggested frame", ("F",), scrubber.show_suggested),
        Key("Frame", "Measure this frame", ("M",), scrubber.measure_this_frame),
        Key("Frame", "Back to the measured frame", ("G",), scrubber.back_to_points),
        Key("Measure", "Go on", ("Return", "Enter"), desk.steps.accept),
        *(
            Key("Measure", f"Step {int(step)}: {TITLES[step]}", (str(int(step)),), partial(desk.steps.go, step))
            for step in Step
        ),
        Key("Measure", "Set the catheter's points", ("C",), partial(picker.arm, "catheter_a")),
        Key("Measure", "Set the proximal point, or the start", ("P",), partial(point, "proximal", "start")),
        Key("Measure", "Set the distal point, or the end", ("D",), partial(point, "distal", "end")),
        Key("Measure", "Set the side branch's point", ("S",), side_branch),
        Key("Measure", "One segment, or a bifurcation", ("V",), picker.toggle_segment),
        Key("Mend", "Redraw a wall", ("W",), partial(mender.take, "redraw")),
        Key("Mend", "Leave a stretch out", ("X",), partial(mender.take, "exclude")),
        Key("Mend", "Lead a centreline through points", ("T",), partial(mender.take, "path")),
        Key("Mend", "Take the last edit away", ("Del",), mender.remove_last),
        Key("Mend", "Automatic result again", ("A",), mender.automatic),
        Key("View", "Hide or show the lines", ("H",), desk.picture.toggle),
        Key("View", "Look at the vessel", ("Z",), desk.picture.look_at_vessel),
        Key("View", "Look at the whole frame", ("0",), desk.viewer.reset_view),
        Key("View", "Grey window from this frame", ("B",), scrubber.auto_window),
        Key("View", "Put the tool back, take the message away", ("Esc",), desk.escape),
    )
