"""Everything a person has decided about one file at the desk: half-made picks included, which `Picks` cannot hold.

A `Work` is a value. Each click makes a new one; undo goes back to the old one; the autosave writes it down.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

from qca.picks import Edit, Picks, Point
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.sizing.case import NO_CASE, Case

Role = Literal["catheter_a", "catheter_b", "proximal", "distal", "side", "start", "end"]
ScaleWay = Literal["catheter", "typed", "header", "none"]

CATHETER_ROLES: tuple[Role, ...] = ("catheter_a", "catheter_b")
BIFURCATION_ROLES: tuple[Role, ...] = ("proximal", "distal", "side")
SEGMENT_ROLES: tuple[Role, ...] = ("start", "end")

DECIMALS = 2
"""Points are kept to a hundredth of a pixel: finer than any hand, short enough to read in a file."""


@dataclass(frozen=True, slots=True)
class ScaleChoice:
    """Where the scale comes from, and the numbers given for it.

    Parameters
    ----------
    way : str
        ``"catheter"``, ``"typed"``, ``"header"`` or ``"none"``.
    french, catheter_mm : float or None
        Size of the catheter; at most one of them.
    filled_lumen : bool
        The size is that of the contrast-filled lumen.
    mm_per_px, mm_per_px_sd : float or None
        A typed scale.
    """

    way: ScaleWay = "catheter"
    french: float | None = None
    catheter_mm: float | None = None
    filled_lumen: bool = False
    mm_per_px: float | None = None
    mm_per_px_sd: float | None = None


@dataclass(frozen=True, slots=True)
class PlanChoice:
    """Inputs of the worksheet: device table, facts of the case, devices fixed by role, the technique chosen."""

    devices: str = ""
    case: Case = NO_CASE
    fixed: tuple[tuple[str, str], ...] = ()
    technique: str | None = None


@dataclass(frozen=True, slots=True)
class Work:
    """Decisions about one file.

    Parameters
    ----------
    frame : int or None
        The frame that is measured, zero-based; None while none is chosen.
    segment : bool
        One segment instead of a bifurcation.
    catheter_a, ..., end : (x, y) or None
        Points in stored pixels. Those of the other mode are kept, so that a switch to and fro loses nothing.
    scale : ScaleChoice
        Where the scale comes from.
    edits : tuple of Edit
        Hand edits, in order.
    plan : PlanChoice
        Inputs of the worksheet.
    settings : Settings
        Those of the reading that was opened, else the usual ones.
    """

    frame: int | None = None
    segment: bool = False
    catheter_a: Point | None = None
    catheter_b: Point | None = None
    proximal: Point | None = None
    distal: Point | None = None
    side: Point | None = None
    start: Point | None = None
    end: Point | None = None
    scale: ScaleChoice = field(default_factory=ScaleChoice)
    edits: tuple[Edit, ...] = ()
    plan: PlanChoice = field(default_factory=PlanChoice)
    settings: Settings = DEFAULT_SETTINGS

    def point(self, role: Role) -> Point | None:
        """Return the point of a role."""
        value: Point | None = getattr(self, role)
        return value

    @property
    def vessel_roles(self) -> tuple[Role, ...]:
        """Roles of the vessel's points in this mode."""
        return SEGMENT_ROLES if self.segment else BIFURCATION_ROLES

    @property
    def limbs(self) -> tuple[str, ...]:
        """Limbs that a reading of this mode has."""
        return ("segment",) if self.segment else BIFURCATION_ROLES

    @property
    def points(self) -> dict[Role, Point]:
        """Points that are set and count in this mode, by role."""
        wanted = (*CATHETER_ROLES, *self.vessel_roles) if self.scale.way == "catheter" else self.vessel_roles
        return {role: point for role in wanted if (point := self.point(role)) is not None}

    @property
    def missing(self) -> tuple[Role, ...]:
        """Vessel points that are still to be set."""
        return tuple(role for role in self.vessel_roles if self.point(role) is None)

    @property
    def own_edits(self) -> tuple[Edit, ...]:
        """Edits of this mode's limbs."""
        return tuple(edit for edit in self.edits if edit.limb in self.limbs)

    @property
    def has_scale(self) -> bool:
        """True when all that the chosen way to the scale needs is there."""
        choice = self.scale
        if choice.way == "catheter":
            sized = choice.french is not None or choice.catheter_mm is not None
            return sized and self.catheter_a is not None and self.catheter_b is not None
        return choice.way == "header" or (choice.way == "typed" and choice.mm_per_px is not None)

    @property
    def touched(self) -> bool:
        """True when something was decided that would be a loss."""
        scaled = replace(self.scale, way="none") != NO_SCALE
        return bool(self.points or self.edits) or scaled or self.plan != PlanChoice()


NO_SCALE = ScaleChoice(way="none")


def with_point(work: Work, role: Role, point: Point, *, frame: int | None) -> Work:
    """Set a point; the first one also fixes the frame.

    Parameters
    ----------
    work : Work
        Decisions so far.
    role : str
        Which point.
    point : (x, y)
        Stored pixels; rounded to a hundredth.
    frame : int or None
        The frame shown, None for a still.
    """
    x, y = (round(float(value), DECIMALS) for value in point)
    chosen = work.frame if work.points and work.frame is not None else frame
    changes: dict[str, Any] = {"frame": chosen, role: (x, y)}
    return replace(work, **changes)


def without_point(work: Work, role: Role) -> Work:
    """Take a point away."""
    changes: dict[str, Any] = {role: None}
    return replace(work, **changes)


def picks_of(work: Work) -> Picks:
    """Build the picks that the work amounts to now; a scale that is not complete is left out.

    The same picks in a file give the same reading at the command line.
    """
    choice = work.scale if work.has_scale else NO_SCALE
    by_catheter = choice.way == "catheter"
    ends = (work.catheter_a, work.catheter_b)
    vessel: dict[str, Any] = {role: work.point(role) for role in work.vessel_roles}
    return Picks(
        frame=work.frame,
        catheter=(ends[0], ends[1]) if by_catheter and ends[0] is not None and ends[1] is not None else None,
        french=choice.french if by_catheter else None,
        catheter_mm=choice.catheter_mm if by_catheter and choice.french is None else None,
        catheter_feature="filled_lumen" if by_catheter and choice.filled_lumen else "outer_wall",
        mm_per_px=choice.mm_per_px if choice.way == "typed" else None,
        mm_per_px_sd=choice.mm_per_px_sd if choice.way == "typed" else None,
        scale="header" if choice.way == "header" else None,
        edits=work.own_edits,
        **vessel,
    )


def work_of(picks: Picks, settings: Settings = DEFAULT_SETTINGS) -> Work:
    """Take picks from a file onto the desk; ``picks_of(work_of(picks)) == picks`` for picks that can be measured."""
    if picks.mm_per_px is not None:
        scale = ScaleChoice("typed", mm_per_px=picks.mm_per_px, mm_per_px_sd=picks.mm_per_px_sd)
    elif picks.scale == "header":
        scale = ScaleChoice("header")
    else:
        way: ScaleWay = "catheter" if picks.catheter is not None else "none"
        lumen = picks.catheter_feature == "filled_lumen"
        scale = ScaleChoice(way, french=picks.french, catheter_mm=picks.catheter_mm, filled_lumen=lumen)
    first, second = picks.catheter if picks.catheter is not None else (None, None)
    return Work(
        frame=picks.frame,
        segment=picks.is_segment,
        catheter_a=first,
        catheter_b=second,
        proximal=picks.proximal,
        distal=picks.distal,
        side=picks.side,
        start=picks.start,
        end=picks.end,
        scale=scale,
        edits=picks.edits,
        settings=settings,
    )
