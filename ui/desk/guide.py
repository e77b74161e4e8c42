"""The guided column's knowledge: the steps of a measurement, how each stands, and where to go on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

from ui.desk.work import Role, Work

Progress = Literal["open", "doing", "done", "doubt"]


class Step(IntEnum):
    """The steps, in the order in which they are usually taken; each can be visited at any time."""

    FRAME = 1
    SCALE = 2
    POINTS = 3
    CHECK = 4
    PLAN = 5
    KEEP = 6


TITLES = {
    Step.FRAME: "Frame",
    Step.SCALE: "Scale",
    Step.POINTS: "Points",
    Step.CHECK: "Check and mend",
    Step.PLAN: "Plan",
    Step.KEEP: "Keep",
}

ROLE_TITLES: dict[Role, str] = {
    "catheter_a": "catheter, first point",
    "catheter_b": "catheter, second point",
    "proximal": "proximal main vessel",
    "distal": "distal main vessel",
    "side": "side branch",
    "start": "start of the segment",
    "end": "end of the segment",
}


@dataclass(frozen=True, slots=True)
class Situation:
    """What the hints depend on.

    Parameters
    ----------
    work : Work
        Decisions so far.
    file : str
        Name of the open file, ``""`` for none.
    frames : int
        Frames in it.
    shown : int
        Frame shown, zero-based.
    suggested : int or None
        Frame suggested by the run's filling and rest.
    step : Step
        The step that is open.
    armed : str or None
        The point that the next click sets.
    busy : bool
        A measurement is under way.
    provisional : bool
        What is shown in the meantime is a rough look.
    measured : bool
        There is a reading of the work as it stands.
    refused : bool
        The work as it stands cannot be measured.
    doubtful : int
        Flags of that reading that make numbers unreliable.
    scale : str
        How the scale stands: ``"good"``, ``"early"`` for a first look that only the vessel can settle, ``"doubt"``.
    checked : bool
        The person has looked at the contours of that reading and gone on.
    planned : bool
        There is a worksheet.
    saved : bool
        The work as it stands is saved.
    tool : str
        The mending tool in the hand: ``"move"``, ``"redraw"``, ``"exclude"``, ``"path"``.
    more : bool
        There is a next file on the list.
    listed : bool
        The file is a read of a reading list.
    unopened : str
        Code of the list's read whose copy could not be opened; ``""`` for none.
    ended : str
        Why the list has nothing to read now; ``""`` while it has.
    """

    work: Work
    file: str = ""
    frames: int = 0
    shown: int = 0
    suggested: int | None = None
    step: Step = Step.FRAME
    armed: Role | None = None
    busy: bool = False
    provisional: bool = False
    measured: bool = False
    refused: bool = False
    doubtful: int = 0
    scale: Literal["good", "early", "doubt"] = "good"
    checked: bool = False
    planned: bool = False
    saved: bool = False
    tool: str = "move"
    more: bool = False
    listed: bool = False
    unopened: str = ""
    ended: str = ""


def progress(now: Situation) -> dict[Step, Progress]:
    """Tell how each step stands."""
    done = {
        Step.FRAME: bool(now.file) and (now.frames == 1 or now.work.frame is not None),
        Step.SCALE: bool(now.file) and _done(now, Step.SCALE) and now.scale == "good",
        Step.POINTS: bool(now.file) and not now.work.missing,
        Step.CHECK: now.measured and now.checked,
        Step.PLAN: now.planned,
        Step.KEEP: now.saved and now.measured,
    }
    states: dict[Step, Progress] = {}
    for step in Step:
        state: Progress = "done" if done[step] else "open"
        if (step is Step.CHECK and now.measured and now.doubtful) or (step is Step.SCALE and now.scale == "doubt"):
            state = "doubt"
        if step is now.step and state != "doubt":
            state = "doing"
        states[step] = state
    return states


def first_open(now: Situation) -> Step:
    """Return the step at which the work should go on."""
    states = progress(now)
    needed = (Step.FRAME, Step.SCALE, Step.POINTS)
    return next((step for step in needed if states[step] in ("open", "doing") and not _done(now, step)), Step.CHECK)


def next_step(now: Situation) -> Step:
    """Return the step that follows the open one."""
    return Step(min(now.step + 1, Step.KEEP))


def _done(now: Situation, step: Step) -> bool:
    if step is Step.FRAME:
        return now.frames == 1 or now.work.frame is not None
    if step is Step.SCALE:
        return now.work.has_scale or now.work.scale.way == "none"
    return not now.work.missing
