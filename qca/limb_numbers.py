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
from qca.lesion_flags import lesion_codes
from qca.limb_starts import STEP_PX, LimbStart
from qca.lumen.hidden import with_hidden
from qca.lumen.reference import Flow, Reference
from qca.lumen.ringing import ringing, steep_flanks
from qca.lumen.stenosis import Stenosis
from qca.lumen.thin import believed
from qca.picks import Edit, LimbName
from qca.settings import Settings
from qca.tree.trace import Crop
from qca.tree.turning import sharpest_turn
from qca.tube.fitted import JointFit
from qca.tube.hidden import Hidden, hidden_narrowings

Array = npt.NDArray[np.float64]

_FLOW: Mapping[LimbName, Flow] = MappingProxyType(
    {"proximal": "against", "distal": "with", "side": "with", "segment": "unknown"}
)
"""How positions run, from the carina outwards."""
_NEAR_DIAMETERS = 8.0
"""What crosses a limb within this many of its diameters from its mouth can lead the other limbs astray."""
_BESIDE_DIAMETERS = 3.0
"""So far from where the limbs were found to meet, in its diameters, a daughter at a narrow angle may leave the proximal
limb unseen."""
_SHARP_TURN, _LEAST_REACH_PX = math.radians(50), 4.0
"""Centrelines that turn by this angle, rad, within two diameters are doubted; own choice, above what vessels do and
below the corners of paths that change over to a crossing vessel. Chords are one diameter long, at least this, px."""
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
_UNSURE_SWING, _SEEN = 0.3, 1e-5
"""SD of what is taken off for ringing, as a part of it; own choice. And from which part of the usual power on a wave of
radii counts as seen through the blur."""
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
    spreads : bool
        Whether something crosses near the branching point so strongly that the limb's neighbours may be wrong, too.
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
    spreads: bool = False
    reference_source: str = FITTED_SOURCE
    edited: bool = False


def crossed_near(numbers: Sequence[LimbNumbers], among: Sequence[str]) -> bool:
    """Whether one of these codes stands on a limb near the branching point."""
    return any(
        set(among) & set(codes)
        for n in numbers
        for codes in n.point_codes[: int(_NEAR_DIAMETERS * n.stenosis.reference / STEP_PX)]
    )


def _left_over(s: Array, diameter: Array, *, forks: bool) -> Array:
    """Covariance (N, N) of diameters (N,) at arc lengths (N,), px^2, that is neither noise nor smoothness."""
    along = _LEFT_OVER_PX**2 * np.exp(-0.5 * ((s[:, None] - s) / _LEFT_OVER_ALONG_PX) ** 2)
    if not forks:
        return along
    wide = max(float(diameter[0]), 1.0)
    rounded = _ROUNDED * wide * np.exp(-2 * (s - s[0]) / wide)
    return np.asarray(along + np.outer(rounded, rounded))


def _swings(joint: JointFit, i: int, s: Array, basis: Array, diameter: Array, sd: Array) -> Array:
    """Find what ringing adds to diameters (N,) at arc lengths ``s`` (N,) of limb ``i``, px; ``basis``: its spline's."""
    flanks = steep_flanks(s, diameter, sd)
    if not flanks:
        return np.zeros_like(s)
    from scipy.ndimage import gaussian_filter1d

    def blurred(columns: Array) -> Array:
        return np.asarray(gaussian_filter1d(columns, math.exp(joint.log_sigma) / STEP_PX, axis=0, mode="nearest"))

    seen = blurred(basis)
    normal = seen.T @ seen
    normal[np.diag_indices_from(normal)] += _SEEN * normal.trace() / len(normal)
    nearest = np.linalg.solve(normal, blurred(seen).T)
    return ringing(s, diameter, flanks, basis @ joint.response(i, _GIVEN_BACK) @ nearest)


def _with_hidden(
    stenosis: Stenosis, hidden: Hidden, s: Array, basis: Array, diameter: Array, reference: Reference
) -> Stenosis:
    """Add what may hide to the SDs, for diameters (N,) at arc lengths ``s`` (N,); ``basis``: the radius spline's."""
    middle = np.clip(np.round((hidden.middle - s[0]) / STEP_PX).astype(np.int64), 0, len(s) - 1)
    fall, sd = 2 * hidden.amplitude, 2 * hidden.sd
    return with_hidden(stenosis, diameter, reference.line, middle, basis @ hidden.shapes, fall, sd)


def _turns(s: Array, points: Array, diameter: Array) -> tuple[tuple[float, float, str], ...]:
    """Find the stretch, px, where a centreline turns too sharply for a vessel, with its code; none if it does not."""
    reach = max(float(np.median(diameter)), _LEAST_REACH_PX)
    turn = sharpest_turn(s, points, reach)
    if turn.angle < _SHARP_TURN:
        return ()
    return ((turn.position - reach, turn.position + reach, "sharp_turn"),)


def beside_overlap(numbers: Sequence[LimbNumbers]) -> list[LimbNumbers]:
    """Mark the limbs of a tree beside one that something strong crosses near the branching point."""
    return [
        replace(n, codes=(*n.codes, "overlap_beside"))
        if "overlap" not in n.codes and any(other.spreads for other in numbers if other is not n)
        else n
        for n in numbers
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
    swing = _swings(joint, i, s, basis, diameter, np.sqrt(np.diagonal(covariance)))
    diameter = diameter - swing
    covariance += _UNSURE_SWING**2 * np.outer(swing, swing)
    diameter, narrowed = believed(diameter, np.sqrt(np.diagonal(covariance)))
    covariance, noise = (narrowed[:, None] * matrix * narrowed for matrix in (covariance, noise))
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
    if not own:
        # where a person has drawn walls or said where the lesion lies, nothing of the fit hides
        stenosis = _with_hidden(stenosis, hidden_narrowings(joint, i, start.first), s, basis, diameter, reference)
    blur_fwhm = 2.355 * math.exp(joint.log_sigma)
    near_mouth = start.first + _BESIDE_DIAMETERS * float(np.median(diameter)) if start.narrow else 0.0
    doubts = limb_doubts(joint, i, name, frame, start.first, near_mouth)
    led = any(edit.kind == "path" and edit.limb == name for edit in edits)
    stretches = doubts.stretches if led else doubts.stretches + _turns(s, points, diameter)
    per_point = tuple(
        (("below_resolution",) if d < blur_fwhm else ())
        + tuple(dict.fromkeys(code for a, b, code in stretches if a <= at < b))
        for at, d in zip(s, diameter, strict=True)
    )
    codes = list(dict.fromkeys([*doubts.codes, *(code for _, _, code in stretches)]))
    codes += lesion_codes(stenosis, position, per_point, blur_fwhm=blur_fwhm, tree=tree)
    if float(reference.healthy.mean()) < 0.2:
        codes.append("no_healthy_part")
    edited = bool(own) or led
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
        spreads=any(at < s[0] + _NEAR_DIAMETERS * stenosis.reference for at in doubts.spreads),
        reference_source=source,
        edited=edited,
    )
