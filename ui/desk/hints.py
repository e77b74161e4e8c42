"""What to do next, in words, step by step. Knows no desk: what it depends on is a situation."""

from __future__ import annotations

from dataclasses import dataclass

from ui.desk.guide import Situation, Step


@dataclass(frozen=True, slots=True)
class Hint:
    """What to do next, and the keys that help."""

    text: str
    keys: str = ""


def hint(now: Situation) -> Hint:
    """Say what to do next."""
    if not now.file:
        return _nothing_open(now)
    if now.work.points and now.frames > 1 and now.work.frame is not None and now.shown != now.work.frame:
        return Hint(
            f"The points belong to frame {now.work.frame}; this is frame {now.shown}.",
            "G: go back to it   ·   M: measure this frame instead",
        )
    return {
        Step.FRAME: _frame,
        Step.SCALE: _scale,
        Step.POINTS: _points,
        Step.CHECK: _check,
        Step.PLAN: _plan,
        Step.KEEP: _keep,
    }[now.step](now)


def _nothing_open(now: Situation) -> Hint:
    if now.unopened:
        return Hint(
            f"The frame of {now.unopened} could not be opened. Tell the coordinator; or enter that it cannot be read.",
            f"Ctrl+R: cannot be read   ·   {'N: next frame of the list' if now.more else 'N: try it again'}",
        )
    if now.ended:
        return Hint(f"{now.ended} Close the window, or open another list.", "Ctrl+Q: close   ·   Ctrl+L: another list")
    return Hint(
        "Open a frame: drop a DICOM run, a PNG or a TIFF on this window.", "Ctrl+O: open   ·   Ctrl+D: shipped sample"
    )


def _frame(now: Situation) -> Hint:
    if now.frames == 1:
        return Hint("A single frame: nothing to choose. Go on to the scale.", "Enter: go on")
    if now.suggested is not None and now.shown != now.suggested:
        return Hint(
            f"Find a well-filled frame at rest, at best at the end of diastole. Suggested: frame {now.suggested}.",
            "← →: step   ·   F: show the suggested one   ·   Enter: measure this frame",
        )
    return Hint(
        "Find a well-filled frame at rest, at best at the end of diastole.", "← →: step   ·   Enter: measure this frame"
    )


def _scale(now: Situation) -> Hint:
    choice = now.work.scale
    if choice.way == "catheter":
        if now.armed in ("catheter_a", "catheter_b"):
            which = "first" if now.armed == "catheter_a" else "second"
            return Hint(
                f"Click the {which} of two points along the catheter's shaft, well away from its tip.",
                "no catheter here? choose another way below",
            )
        if choice.french is None and choice.catheter_mm is None:
            return Hint("Say how thick the catheter is: its French size, or better its measured diameter.")
        if now.scale == "doubt":
            return Hint(
                "This scale is doubtful; the reasons stand below. Set the points again, or choose another way.",
                "C: set again   ·   Enter: go on all the same",
            )
        return Hint("Look: do the grey lines follow both edges of the shaft? Drag a point to mend it.", "Enter: go on")
    if choice.way == "typed" and choice.mm_per_px is None:
        return Hint("Type the scale in mm per pixel, and its standard uncertainty where it is known.")
    if choice.way == "header":
        return Hint("The header's scale holds for one depth only, which need not be the vessel's.", "Enter: go on")
    if choice.way == "none":
        return Hint(
            "Without a scale all lengths stay in pixels; percentages and angles do not need one.", "Enter: go on"
        )
    return Hint("The scale is set.", "Enter: go on")


def _refused(now: Situation) -> Hint:
    keys = "Ctrl+Z: undo   ·   1: another frame" if now.frames > 1 else "Ctrl+Z: undo"
    keys += "   ·   Ctrl+R: cannot be read" if now.listed else ""
    return Hint("This cannot be measured; the reason stands below. Drag the points onto the vessel.", keys)


def _busy(now: Situation) -> Hint:
    if now.provisional:
        return Hint("Provisional while the point moves; measured where it rests.")
    return Hint("Measuring: the contours follow in a moment.")


def _points(now: Situation) -> Hint:
    if now.armed is not None and now.armed in now.work.missing:
        words = {
            "proximal": "Click the proximal main vessel, before the bifurcation and beyond any narrowing.",
            "distal": "Click the distal main vessel, behind the bifurcation and beyond any narrowing.",
            "side": "Click the side branch, beyond any narrowing.",
            "start": "Click where the segment starts, on a healthy part.",
            "end": "Click where it ends, on a healthy part.",
        }
        other = "V: a bifurcation instead" if now.work.segment else "V: one segment instead"
        return Hint(words[now.armed], f"the order does not matter   ·   {other}")
    if now.busy:
        return _busy(now)
    if now.refused:
        return _refused(now)
    if now.measured:
        return Hint("Drag any point to move it; the contours follow.", "Enter: go on")
    return Hint("The points are set.", "Enter: go on")


def _check(now: Situation) -> Hint:
    if now.work.missing:
        return Hint("Set the missing points first.", "3: points")
    if now.busy:
        return _busy(now)
    if now.refused:
        return _refused(now)
    words = {
        "move": "Does every wall lie on the edge of the contrast? If one does not, drag it there.",
        "redraw": "Draw along the edge where the wall should run; the nearest wall follows.",
        "exclude": "Drag along the vessel over the stretch to be left out.",
        "path": "Click where the vessel really runs; its centreline goes through there.",
    }
    keys = "Enter: go on   ·   W: redraw   ·   X: leave out   ·   H: hide the lines"
    return Hint(words[now.tool], keys if now.tool == "move" else "Esc: put the tool back   ·   Ctrl+Z: undo")


def _plan(now: Situation) -> Hint:
    if now.work.segment:
        return Hint("The worksheet needs a bifurcation; a segment has none.", "Enter: go on")
    if not now.measured:
        return Hint("Measure first; the worksheet rests on the reading.", "3: points")
    if not now.work.has_scale:
        return Hint("The worksheet needs millimetres: set a scale.", "2: scale")
    if not now.work.plan.devices:
        return Hint("Choose your device table; without one there are targets only.", "Enter: go on")
    if now.work.plan.technique is None:
        return Hint("Compare the techniques; click one to see its reasons and its steps.", "Enter: go on")
    return Hint("Change a device, and see what changes. The decision is the operator's.", "Enter: go on")


def _keep(now: Situation) -> Hint:
    if not now.measured:
        return Hint("There is no reading yet.", "3: points")
    if now.listed:
        return _keep_listed(now)
    if not now.saved:
        return Hint(
            "Save the picks and the reading; write the report where you need one.", "Ctrl+S: save   ·   Ctrl+E: report"
        )
    if now.more:
        return Hint("Saved.", "N: next file")
    return Hint("Saved. Open another frame, or close the window.", "Ctrl+O: open")


def _keep_listed(now: Situation) -> Hint:
    if not now.saved:
        return Hint("Enter the reading into the list's record.", "Ctrl+S: enter   ·   N: enter, then the next frame")
    if now.more:
        return Hint("Entered. Going on asks once whether to lock it.", "N: next frame of the list")
    return Hint(
        "Entered. This was the last frame of the list: lock it, then close the window.", "N: lock   ·   Ctrl+Q: close"
    )
