"""Hand edits applied to one limb: walls drawn anew, stretches left out, lesion limits and reference set by hand.

Edits are data in the picks. They come after the fit and before reference, stenosis and lesion limits, so that all that
hangs on a wall follows it; without edits nothing changes, bit for bit. Angles, branching point and confluence stay
those of the fit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.drawn_wall import HAND_EDGE_SD_PX, drawn_wall, hand_covariance
from qca.errors import PicksError
from qca.lumen.reference import TAPER_LENGTH_PX, Flow, Reference, fit_reference
from qca.lumen.stenosis import Stenosis, measure_stenosis
from qca.percent_stenosis import percent_area_stenosis, percent_diameter_stenosis
from qca.picks import Edit

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

HAND_LIMIT_SD_PX = 2.0
"""SD of a lesion limit set by hand, along the limb, px; own choice."""

THINNEST_PX = 0.2
"""Walls drawn across each other leave this much lumen, px."""

LEAST_INCLUDED_PX = 6.0
"""At least so much of a limb must be left for a reference, px; own choice."""

FITTED_SOURCE = "taper of the healthy parts"
HAND_SOURCE = "set by hand"


@dataclass(frozen=True, slots=True)
class LimbShape:
    """One limb before its numbers; N positions from the carina outwards.

    ``position``, ``diameter`` (N,) and ``covariance`` (N, N) of the diameters in px, and the part of it that differs
    from frame to frame, ``noise`` (N, N); ``points`` (N, 2) the centreline and ``normal`` (N, 2) unit vectors to the
    right wall, both (row, column) in square pixels. ``drawn`` (N,) says where a wall was drawn by hand, ``included``
    (N,) where the limb was not left out by hand.
    """

    position: Array
    diameter: Array
    covariance: Array
    noise: Array
    points: Array
    normal: Array
    drawn: Mask
    included: Mask

    @property
    def touched(self) -> Mask:
        """Where a hand changed something, shape (N,)."""
        return self.drawn | ~self.included


def edits_of(edits: Iterable[Edit], limb: str) -> tuple[Edit, ...]:
    """Edits of one limb in their order, without those that act on the tracing of its path."""
    return tuple(edit for edit in edits if edit.limb == limb and edit.kind != "path")


def edit_shape(
    position: Array,
    diameter: Array,
    covariance: Array,
    points: Array,
    normal: Array,
    edits: Sequence[Edit],
    *,
    origin: Array,
    aspect: float,
    noise: Array | None = None,
) -> LimbShape:
    """Draw walls anew and leave stretches out.

    A drawn wall runs through its points (:mod:`qca.drawn_wall`). The diameter is the distance of the two walls along
    the normal, the centreline their middle. The drawn wall's variance replaces that wall's half of the fitted one's;
    the other wall keeps its own.

    Parameters
    ----------
    position, diameter, covariance, points, normal : ndarray
        As in `LimbShape`.
    edits : sequence of Edit
        Those of this limb, in order.
    origin : ndarray, shape (2,)
        (row, column) of the points' origin in the frame of square pixels.
    aspect : float
        Row pitch divided by column pitch of the stored pixels.
    noise : ndarray, shape (N, N), optional
        As in `LimbShape`; all of the covariance where it is not given.

    Returns
    -------
    LimbShape
        Diameters stay numbers in left-out stretches: interpolated from both sides, with ``included`` False.

    Raises
    ------
    PicksError
        If a drawn wall lies nowhere along the limb, or nothing is left of the limb.
    """
    n, step = len(position), _step(position)
    walls = {"left": -diameter / 2, "right": diameter / 2}
    noise = covariance if noise is None else noise
    both = np.stack([covariance, noise])
    parts = {"left": both / 2, "right": both / 2}
    drawn = np.zeros(n, dtype=np.bool_)
    included = np.ones(n, dtype=np.bool_)
    for edit in edits:
        if edit.kind == "wall":
            side = _side(edit)
            shift, weight = drawn_wall(
                edit, walls[side], position, points, normal, diameter, origin=origin, aspect=aspect, apart=2 * step
            )
            walls[side] = walls[side] + shift
            error = hand_covariance(position)
            parts[side] = np.outer(1 - weight, 1 - weight) * parts[side] + np.outer(weight, weight) * error
            drawn |= weight > 0
        elif edit.kind == "exclude":
            low, high = _span(edit, position)
            included &= (position < low) | (position > high)
    if included.sum() * step < LEAST_INCLUDED_PX:
        limb = edits[-1].limb if edits else "measured"
        msg = f"nothing is left of the {limb} limb: leave out a shorter stretch, or remove an edit"
        raise PicksError(msg, limb=limb)
    if drawn.any():
        diameter = np.maximum(walls["right"] - walls["left"], THINNEST_PX)
        points = points + ((walls["left"] + walls["right"]) / 2)[:, None] * normal
        covariance, noise = parts["left"] + parts["right"]
    if not included.all():
        diameter = np.interp(position, position[included], diameter[included])
    return LimbShape(position, diameter, covariance, noise, points, normal, drawn, included)


def edit_reference(shape: LimbShape, edits: Sequence[Edit], flow: Flow = "with") -> tuple[Reference, str]:
    """Find the reference of a limb with its hand edits, and what it rests on.

    Left-out stretches have no part in the taper. A reference set by hand is the same along the whole limb and does not
    depend on the diameters. ``flow``: how positions run.
    """
    sd = np.sqrt(np.diag(shape.covariance))
    if shape.included.all():
        reference = fit_reference(shape.position, shape.diameter, sd, flow)
    else:
        reference = _without_stretches(shape, sd, flow)
    forced = _last(edits, "reference")
    if forced is None:
        return reference, FITTED_SOURCE
    line = np.full_like(shape.position, _value(forced))
    return replace(reference, line=line, operator=np.zeros_like(reference.operator)), HAND_SOURCE


def edit_stenosis(
    shape: LimbShape,
    reference: Reference,
    edits: Sequence[Edit],
    usable: Mask,
    edge_fraction: float,
    edge_distance: float,
) -> Stenosis:
    """Minimal diameter, stenosis and lesion limits of a limb with its hand edits.

    The MLD lies in no left-out stretch and, where the lesion limits are set by hand, between them.

    Raises
    ------
    PicksError
        If no place for the MLD is left.
    """
    usable = usable & shape.included
    lesion = _last(edits, "lesion")
    span = None if lesion is None else _span(lesion, shape.position)
    if span is not None:
        usable = usable & (shape.position >= span[0]) & (shape.position <= span[1])
    if not usable.any():
        limb = edits[-1].limb if edits else "measured"
        msg = (
            f"no place is left for the smallest diameter of the {limb} limb: widen the lesion limits, or remove an edit"
        )
        raise PicksError(msg, limb=limb)
    found = measure_stenosis(
        shape.position,
        shape.diameter,
        shape.covariance,
        reference,
        usable,
        edge_fraction,
        edge_distance=edge_distance,
        noise=shape.noise,
    )
    if span is not None:
        found = _with_limits(found, span, shape.position, edge_distance)
    if _last(edits, "reference") is not None:
        found = _with_hand_reference(found)
    return found


def shown_shape(shape: LimbShape, codes: Sequence[tuple[str, ...]]) -> tuple[Array, Array, tuple[tuple[str, ...], ...]]:
    """Diameters, covariance and flag codes of a limb as its profile shows them.

    Left-out stretches are NaN; wherever a hand changed something the code ``"edited"`` stands.
    """
    left_out = ~shape.included
    diameter, covariance = shape.diameter.copy(), shape.covariance.copy()
    diameter[left_out] = np.nan
    covariance[left_out] = np.nan
    covariance[:, left_out] = np.nan
    marked = tuple((*own, "edited") if by_hand else own for own, by_hand in zip(codes, shape.touched, strict=True))
    return diameter, covariance, marked


def _with_limits(found: Stenosis, span: tuple[float, float], position: Array, edge_distance: float) -> Stenosis:
    return replace(
        found,
        lesion_start=span[0],
        lesion_end=span[1],
        lesion_length=span[1] - span[0],
        lesion_length_sd=HAND_LIMIT_SD_PX * float(np.sqrt(2.0)),
        starts_at_mouth=bool(span[0] - position[0] < edge_distance),
        ends_at_end=bool(position[-1] - span[1] < edge_distance),
    )


def _with_hand_reference(found: Stenosis) -> Stenosis:
    """SDs with a reference given by hand: as uncertain as two hand-drawn walls, and independent of the MLD."""
    sd = HAND_EDGE_SD_PX * float(np.sqrt(2.0))
    ratio = found.mld / found.reference
    ds = percent_diameter_stenosis(found.mld, found.reference)
    ds_sd = 100.0 * float(np.hypot(found.mld_sd / found.reference, ratio * sd / found.reference))
    return replace(
        found,
        reference_sd=sd,
        ds_percent=ds,
        ds_sd_percent=ds_sd,
        area_percent=percent_area_stenosis(ds),
        area_sd_percent=2 * (1 - ds / 100) * ds_sd,
    )


def _without_stretches(shape: LimbShape, sd: Array, flow: Flow) -> Reference:
    """Taper of what is included, carried on over the rest."""
    keep = shape.included
    part = fit_reference(shape.position[keep], shape.diameter[keep], sd[keep], flow)
    coefficients, *_ = np.linalg.lstsq(part.design, part.line, rcond=None)
    u = (shape.position - float(shape.position[keep].mean())) / TAPER_LENGTH_PX
    design = np.column_stack([np.ones_like(u), u])
    operator = np.zeros((2, len(u)))
    operator[:, keep] = part.operator
    healthy = np.zeros_like(u)
    healthy[keep] = part.healthy
    return Reference(design @ coefficients, healthy, operator, design, part.vessel)


def _span(edit: Edit, position: Array) -> tuple[float, float]:
    """Span of an edit as far as it lies on the limb.

    Raises
    ------
    PicksError
        If it has none, or lies beyond the limb's ends.
    """
    if edit.span_px is None:
        msg = f"a hand edit of the {edit.limb} limb ({edit.kind}) has no span_px: give two positions along the limb"
        raise PicksError(msg, limb=edit.limb)
    low, high = sorted(edit.span_px)
    first, last = float(position[0]), float(position[-1])
    if high < first or low > last or low == high:
        msg = (
            f"the stretch {low:.0f} to {high:.0f} px edited by hand is no part of the {edit.limb} limb, which is "
            f"measured from {first:.0f} to {last:.0f} px: move the limb's pick back, or remove the edit"
        )
        raise PicksError(msg, limb=edit.limb)
    return max(low, first), min(high, last)


def _side(edit: Edit) -> str:
    if edit.side is None or not edit.points:
        msg = f"a wall of the {edit.limb} limb drawn by hand needs a side (left or right) and points"
        raise PicksError(msg, limb=edit.limb)
    return edit.side


def _value(edit: Edit) -> float:
    if edit.value_px is None or not edit.value_px > 0:
        msg = f"the reference of the {edit.limb} limb set by hand is {edit.value_px}: give a diameter above 0 px"
        raise PicksError(msg, limb=edit.limb)
    return edit.value_px


def _last(edits: Sequence[Edit], kind: str) -> Edit | None:
    return next((edit for edit in reversed(edits) if edit.kind == kind), None)


def _step(position: Array) -> float:
    return float(position[1] - position[0]) if len(position) > 1 else 0.0
