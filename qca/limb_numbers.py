"""Profile, reference and stenosis of one limb, in px, from the joint fit and the hand edits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from qca.doubts import limb_doubts
from qca.edits import (
    FITTED_SOURCE,
    LEAST_INCLUDED_PX,
    edit_reference,
    edit_shape,
    edit_stenosis,
    edits_of,
    shown_shape,
)
from qca.errors import LimbTooShort
from qca.frames.frame import Frame
from qca.lumen.reference import Flow, Reference
from qca.lumen.stenosis import Stenosis
from qca.picks import Edit, LimbName
from qca.settings import Settings
from qca.tree.angles import angle_between
from qca.tree.trace import Crop
from qca.tube.confluence import mouths
from qca.tube.joint import JointFit
from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]

STEP_PX = 0.5
"""Distance between the positions of a profile, px."""
_FLOW: Mapping[LimbName, Flow] = MappingProxyType(
    {"proximal": "against", "distal": "with", "side": "with", "segment": "unknown"}
)
"""How positions run, from the carina outwards."""
_LEAVING_PX = 25.0
"""Stretch of a limb that says in which direction it leaves."""
_NEAR_DIAMETERS = 8.0
"""What crosses a limb within this many of its diameters from its mouth can lead the other limbs astray."""
_NARROW_DEG, _BESIDE_DIAMETERS = 45.0, 3.0
"""Daughters at a smaller angle run side by side, and one of them may leave the proximal limb unseen so far from where
the limbs were found to meet, in its diameters."""
MODEL_ERROR = 1.15
"""Stated SDs of diameters are this much larger than the fit's own: lumens, backgrounds and blurs are not quite what the
model says. Found on simulated bifurcations, where errors of clean frames were 1.1 to 1.2 times the fit's SDs."""

_LEFT_OVER_PX, _LEFT_OVER_ALONG_PX = 0.07, 5.0
"""SD of a diameter's error that no noise explains, and how far along the limb it stays the same: scattered light, ribs
and blurs that are not quite what the model says. Found on phantoms at 100 times the usual dose, where the fit's own SDs
held the truth in 76 %. A reference averages over it."""
_ROUNDED = 0.02
"""The same at the proximal limb's first section, as a part of its diameter, falling over a radius: how its walls run
into the daughters' is not in a union of tubes. On 159 frames of another renderer, which rounds what limbs share, the
diameters there were true in 76 %."""
_GIVEN_BACK = 0.5
"""Part of what smoothness has taken from a diameter that is given back. All of it would bring back noise as well."""


@dataclass(frozen=True, slots=True)
class LimbNumbers:
    """Profile and stenosis of one limb in px, before the scale; N positions.

    Parameters
    ----------
    position : ndarray, shape (N,)
        From the carina outwards, negative on the proximal limb's way to it; from the first pick of a segment.
    diameter : ndarray, shape (N,)
        As shown, hand edits included.
    covariance : ndarray, shape (N, N)
        Of the diameters, px^2.
    points, normal : ndarray, shape (N, 2)
        Centreline and its normals, (row, column), in the crop.
    origin : ndarray, shape (2,)
        The crop's corner in the frame.
    reference : Reference
        Healthy taper.
    stenosis : Stenosis
        MLD, percent stenosis and lesion limits.
    codes : tuple of str
        Flags of the limb.
    point_codes : tuple of tuple of str
        Flags of each position.
    carina : ndarray, shape (2,), or None
        (row, column) in the crop; None for a segment.
    reference_source : str
        How the reference was found.
    edited : bool
        Whether a person changed something.
    """

    position: Array
    diameter: Array
    covariance: Array
    points: Array
    normal: Array
    origin: Array
    reference: Reference
    stenosis: Stenosis
    codes: tuple[str, ...]
    point_codes: tuple[tuple[str, ...], ...]
    carina: Array | None
    reference_source: str = FITTED_SOURCE
    edited: bool = False


@dataclass(frozen=True, slots=True)
class LimbStart:
    """Where a limb begins, arc lengths in px.

    ``first`` is the first measured cross-section, ``zero`` the one from which positions count: the carina's, negative
    on the proximal limb. ``carina`` (2,) is the carina itself, (row, column) in the crop; None for a segment.
    ``narrow`` tells the proximal limb of a fork whose daughters run side by side.
    """

    first: float
    zero: float
    carina: Array | None
    narrow: bool


def limb_starts(joint: JointFit) -> list[LimbStart]:
    """Where each limb of a fit begins."""
    if len(joint.limbs) == 1:
        lead = joint.limbs[0].lead
        return [LimbStart(lead, lead, None, narrow=False)]
    begun = mouths(joint.limbs)
    carina, zeros = _carina(joint, begun)
    narrow = _apart(joint.limbs[1:], begun[1:]) < _NARROW_DEG
    starts = []
    for i, (limb, mouth, foot) in enumerate(zip(joint.limbs, begun, zeros, strict=True)):
        first = min(max(mouth, _foot(joint, limb)), limb.end - 4.0)
        # a mouth lies at the carina's foot or beyond, but for a part of a pixel by which both are told
        starts.append(LimbStart(first, min(foot, first), carina, narrow=narrow and i == 0))
    return starts


def _foot(joint: JointFit, limb: Limb) -> float:
    """Arc length, px, at which a limb passes the branching point; 0 where it begins there or further out.

    The fit moves the point from where the limbs were laid. What lies beyond it is the daughters', and between daughters
    at a narrow angle it narrows.
    """
    s = np.arange(0.0, max(limb.end, STEP_PX), STEP_PX)
    return float(s[np.argmin(np.linalg.norm(limb.points(s) - joint.branching_point, axis=1))])


def crossed_near(numbers: Sequence[LimbNumbers], among: Sequence[str] = ("overlap",)) -> list[bool]:
    """Whether something crosses each limb near the branching point: whether one of these codes stands there."""
    return [
        any(set(among) & set(codes) for codes in n.point_codes[: int(_NEAR_DIAMETERS * n.stenosis.reference / STEP_PX)])
        for n in numbers
    ]


def _left_over(s: Array, diameter: Array, *, forks: bool) -> Array:
    """Covariance (N, N) of diameters (N,) at arc lengths (N,), px^2, that is neither noise nor smoothness."""
    along = _LEFT_OVER_PX**2 * np.exp(-0.5 * ((s[:, None] - s) / _LEFT_OVER_ALONG_PX) ** 2)
    if not forks:
        return along
    wide = max(float(diameter[0]), 1.0)
    rounded = _ROUNDED * wide * np.exp(-2 * (s - s[0]) / wide)
    return np.asarray(along + np.outer(rounded, rounded))


def beside_overlap(numbers: Sequence[LimbNumbers]) -> list[LimbNumbers]:
    """Mark the limbs of a tree beside one that something crosses near the branching point."""
    crossed = crossed_near(numbers)
    return [
        replace(n, codes=(*n.codes, "overlap_beside"))
        if "overlap" not in n.codes and any(crossed[:i] + crossed[i + 1 :])
        else n
        for i, n in enumerate(numbers)
    ]


def limb_numbers(
    joint: JointFit,
    i: int,
    name: LimbName,
    start: LimbStart,
    crop: Crop,
    frame: Frame,
    settings: Settings,
    edits: Sequence[Edit] = (),
) -> LimbNumbers:
    """Profile, reference and stenosis of one limb, with its hand edits.

    Parameters
    ----------
    joint : JointFit
        The final fit.
    i : int
        Which of its limbs.
    name : str
        Its name.
    start : LimbStart
        Where it begins.
    crop : Crop
        What was fitted.
    frame : Frame
        For pixel aspect, grey range and valid region.
    settings : Settings
        Thresholds.
    edits : sequence of Edit
        Those of all limbs.

    Returns
    -------
    LimbNumbers
        In px.

    Raises
    ------
    NoVessel
        If nothing stands out from the noise along most of the limb.
    PicksError
        If a hand edit does not fit the limb.
    LimbTooShort
        If hardly anything of it lies beyond its mouth.
    """
    limb = joint.limbs[i]
    tree = len(joint.limbs) == 3
    if limb.end - start.first < LEAST_INCLUDED_PX:
        msg = (
            f"the {name} limb ends {limb.end - start.first:.0f} px from where it leaves the others: move its pick "
            "further from the branching point, and check that the other points lie on their vessels"
        )
        raise LimbTooShort(msg, limb=name)
    s = np.arange(start.first, limb.end + 0.01, STEP_PX)
    basis = limb.r_spline.matrix(s)
    part = joint.layout.r[i]
    covariance = MODEL_ERROR**2 * 4 * basis @ joint.covariance[part, part] @ basis.T
    smoothed = 2 * basis @ joint.smoothed_by(i)
    covariance += np.outer(smoothed, smoothed)
    diameter = 2 * basis @ limb.r - _GIVEN_BACK * smoothed
    noise = 4 * basis @ joint.shaken(i, _GIVEN_BACK) @ basis.T
    base, normal = limb.curve.at(s)
    points = base + limb.offset(s)[:, None] * normal
    position = s - start.zero
    own = edits_of(edits, name)
    shape = edit_shape(
        position, diameter, covariance, points, normal, own, origin=crop.origin, aspect=frame.pixel_aspect, noise=noise
    )
    reference, source = edit_reference(shape, own, _FLOW[name])
    shape = replace(shape, covariance=shape.covariance + _left_over(s, diameter, forks=name == "proximal"))
    diameter, covariance, points = shape.diameter, shape.covariance, shape.points
    usable = np.ones(len(s), dtype=bool)
    stenosis = edit_stenosis(shape, reference, own, usable, settings.lesion_edge_fraction, edge_distance=4.0)
    blur_fwhm = 2.355 * math.exp(joint.log_sigma)
    near_mouth = start.first + _BESIDE_DIAMETERS * float(np.median(diameter)) if start.narrow else 0.0
    doubts = limb_doubts(joint, i, name, frame, start.first, near_mouth)
    per_point = tuple(
        (("below_resolution",) if d < blur_fwhm else ())
        + tuple(dict.fromkeys(code for a, b, code in doubts.stretches if a <= at < b))
        for at, d in zip(s, diameter, strict=True)
    )
    codes = list(doubts.codes)
    if stenosis.mld < blur_fwhm:
        codes.append("below_resolution")
    if len(s) * STEP_PX < 3 * stenosis.reference:
        codes.append("limb_short")
    if stenosis.ends_at_end and stenosis.lesion_length > 0:
        codes.append("lesion_at_edge")
    if stenosis.starts_at_mouth and stenosis.lesion_length > 0:
        codes.append("ostial" if tree else "lesion_at_edge")
    if float(reference.healthy.mean()) < 0.2:
        codes.append("no_healthy_part")
    edited = bool(own) or any(edit.kind == "path" and edit.limb == name for edit in edits)
    if edited:
        codes.append("edited")
        diameter, covariance, per_point = shown_shape(shape, per_point)
    return LimbNumbers(
        position=position,
        diameter=diameter,
        covariance=covariance,
        points=points,
        normal=normal,
        origin=crop.origin,
        reference=reference,
        stenosis=stenosis,
        codes=tuple(codes),
        point_codes=per_point,
        carina=start.carina,
        reference_source=source,
        edited=edited,
    )


def _apart(daughters: Sequence[Limb], begun: Sequence[float]) -> float:
    """Angle, degrees, between the directions in which daughters leave their confluence, at arc lengths ``begun``."""
    ways = []
    for limb, mouth in zip(daughters, begun, strict=True):
        inner, outer = limb.points(np.array([mouth, min(mouth + _LEAVING_PX, limb.curve.length)]))
        ways.append(outer - inner)
    return angle_between(ways[0], ways[1])


def _carina(joint: JointFit, begun: Sequence[float]) -> tuple[Array, tuple[float, float, float]]:
    """Find the carina, and the arc length of its cross-section on each limb, negative on the proximal one.

    It is where the daughters' facing walls leave each other's lumen, before their mouths ``begun``: further out they
    may bend apart, or towards each other again.
    """
    daughters = (1, 2)
    beyond = {d: joint.limbs[d].points(np.array([begun[d]]))[0] for d in daughters}
    tips = []
    for a, b in (daughters, daughters[::-1]):
        limb, other = joint.limbs[a], joint.limbs[b]
        s = limb.curve.position[limb.curve.position <= begun[a] + limb.curve.step]
        facing = np.sign(float((beyond[b] - beyond[a]) @ limb.curve.normal[len(s) - 1]))
        wall = limb.points(s) + (facing * limb.radius(s))[:, None] * limb.curve.normal[: len(s)]
        inside = np.flatnonzero(other.contains(wall))
        tips.append(wall[min(int(inside[-1]) + 1, len(wall) - 1) if len(inside) else 0])
    carina = (tips[0] + tips[1]) / 2
    feet = [max(float(joint.limbs[d].curve.locate(carina[None])[0][0]), 0.0) for d in daughters]
    return carina, (-feet[0], feet[0], feet[1])
