"""Everything a person decided about one frame.

Points are ``(x, y)`` = (column, row) in stored pixels; an integer is a pixel centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
LimbName = Literal["proximal", "distal", "side", "segment"]
LIMBS: tuple[LimbName, ...] = ("proximal", "distal", "side")


@dataclass(frozen=True, slots=True)
class Edit:
    """One hand edit, as data; applied in order after the automatic measurement.

    Parameters
    ----------
    kind : str
        ``"wall"``: the wall named by ``side`` runs through ``points``. ``"exclude"``: the stretch ``span_px`` is left
        out. ``"lesion"``: lesion limits are ``span_px``. ``"reference"``: the reference diameter is ``value_px``
        over the whole limb. ``"path"``: the limb's centreline runs through ``points``.
    limb : str
        Limb name.
    side : str or None
        ``"left"`` or ``"right"``, looking from the branching point outwards.
    points : tuple of (x, y)
        Points in stored pixels.
    span_px : (float, float) or None
        Positions along the limb, px, measured like ``position_px`` of the profile.
    value_px : float or None
        A diameter, px.
    """

    kind: Literal["wall", "exclude", "lesion", "reference", "path"]
    limb: LimbName
    side: Literal["left", "right"] | None = None
    points: tuple[Point, ...] = ()
    span_px: tuple[float, float] | None = None
    value_px: float | None = None


@dataclass(frozen=True, slots=True)
class Picks:
    """Points, catheter, scale choice and hand edits of one frame.

    Give ``proximal``, ``distal`` and ``side`` for a bifurcation, or ``start`` and ``end`` for one segment. Scale: a
    catheter (two points and ``french`` or ``catheter_mm``), or ``mm_per_px``, or ``scale="header"``, or nothing.
    """

    frame: int | None = None
    proximal: Point | None = None
    distal: Point | None = None
    side: Point | None = None
    start: Point | None = None
    end: Point | None = None
    catheter: tuple[Point, Point] | None = None
    french: float | None = None
    catheter_mm: float | None = None
    catheter_feature: Literal["outer_wall", "filled_lumen"] = "outer_wall"
    mm_per_px: float | None = None
    mm_per_px_sd: float | None = None
    scale: Literal["header"] | None = None
    edits: tuple[Edit, ...] = ()

    @property
    def is_segment(self) -> bool:
        """True when a single segment is asked for."""
        return self.start is not None or self.end is not None
