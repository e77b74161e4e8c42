"""From the joint fit to the numbers of one limb."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from calib.units import Px
from qca.doubts import limb_doubts
from qca.edits import FITTED_SOURCE, edit_reference, edit_shape, edit_stenosis, edits_of, shown_shape
from qca.frames.frame import Frame
from qca.lumen.reference import Reference
from qca.lumen.stenosis import Stenosis
from qca.picks import Edit, LimbName, Picks
from qca.reading import LimbReading, Profile
from qca.settings import Settings
from qca.tree.grow import mouth
from qca.tree.trace import Crop
from qca.tube.joint import JointFit

Array = npt.NDArray[np.float64]

STEP_PX = 0.5
"""Distance between the positions of a profile, px."""
MODEL_ERROR = 1.15
"""Stated SDs of diameters are this much larger than the fit's own: lumens, backgrounds and blurs are not quite what the
model says. Found on simulated bifurcations, where errors of clean frames were 1.1 to 1.2 times the fit's SDs."""


@dataclass(frozen=True, slots=True)
class LimbNumbers:
    """Profile and stenosis of one limb in px, before the scale; positions from the carina outwards."""

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


def limb_numbers(
    joint: JointFit,
    i: int,
    name: LimbName,
    crop: Crop,
    frame: Frame,
    settings: Settings,
    scale: Scale | None,
    edits: Sequence[Edit] = (),
) -> LimbNumbers:
    """Profile, reference and stenosis of limb ``i`` of the joint fit, with the hand edits of that limb."""
    limb = joint.limbs[i]
    tree = len(joint.limbs) == 3
    first = min(mouth(joint.limbs, i), limb.end - 4.0) if tree else limb.lead
    zero, carina = _carina(joint, i) if tree else (limb.lead, None)
    s = np.arange(first, limb.end + 0.01, STEP_PX)
    basis = limb.r_spline.matrix(s)
    part = joint.layout.r[i]
    diameter = 2 * basis @ limb.r
    covariance = MODEL_ERROR**2 * 4 * basis @ joint.covariance[part, part] @ basis.T
    base, normal = limb.curve.at(s)
    points = base + limb.offset(s)[:, None] * normal
    position = s - zero
    own = edits_of(edits, name)
    shape = edit_shape(
        position, diameter, covariance, points, normal, own, origin=crop.origin, aspect=frame.pixel_aspect
    )
    diameter, covariance, points = shape.diameter, shape.covariance, shape.points
    reference, source = edit_reference(shape, own)
    usable = np.ones(len(s), dtype=bool)
    stenosis = edit_stenosis(shape, reference, own, usable, settings.lesion_edge_fraction, edge_distance=4.0)
    blur_fwhm = 2.355 * math.exp(joint.log_sigma)
    doubts = limb_doubts(joint, i, name, frame)
    per_point = tuple(
        (
            (("below_resolution",) if d < blur_fwhm else ())
            + tuple({c: 0 for a, b, c in doubts.stretches if a <= at < b})
        )
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
        position,
        diameter,
        covariance,
        points,
        normal,
        crop.origin,
        reference,
        stenosis,
        tuple(codes),
        per_point,
        carina,
        source,
        edited,
    )


def _carina(joint: JointFit, i: int) -> tuple[float, Array]:
    """Arc length on limb ``i`` of the carina's cross-section (negative on the proximal limb) and the carina itself."""
    daughters = (1, 2)
    walls = []
    tips = []
    for a, b in (daughters, daughters[::-1]):
        limb, other = joint.limbs[a], joint.limbs[b]
        points = limb.points(limb.curve.position)
        r = limb.r_spline.matrix(limb.curve.position) @ limb.r
        toward = np.sign(
            float(np.mean(((other.points(other.curve.position)[-1] - points[-1]) * limb.curve.normal[-1]).sum()))
        )
        wall = points + (toward * r)[:, None] * limb.curve.normal
        s, x = other.curve.locate(wall)
        rr = np.interp(s, other.curve.position, other.r_spline.matrix(other.curve.position) @ other.r)
        inside = np.flatnonzero((np.abs(x) < rr) & (s > 0))
        k = min(int(inside[-1]) + 1, len(wall) - 1) if len(inside) else 0
        walls.append(float(limb.curve.position[k]))
        tips.append(wall[k])
    carina = (tips[0] + tips[1]) / 2
    feet = [float(joint.limbs[d].curve.locate(carina[None])[0][0]) for d in daughters]
    if i == 0:
        return -max(feet[0], 0.0), carina
    return max(feet[i - 1], 0.0), carina


def limb_reading(
    n: LimbNumbers,
    name: LimbName,
    all_numbers: Sequence[LimbNumbers],
    names: Sequence[LimbName],
    picks: Picks,
    settings: Settings,
    scale: Scale | None,
    aspect: float,
) -> LimbReading:
    """Numbers of one limb in px and mm."""
    st = n.stenosis
    sd = np.sqrt(np.maximum(np.diag(n.covariance), 0))
    k, rel = (scale.mm_per_px, scale.relative_sd) if scale is not None else (math.nan, math.nan)
    rel_known = rel if math.isfinite(rel) else 0.0

    def mm(value: float) -> float:
        return value * k

    def sd_mm(value: float, sd_px: float) -> float:
        return scale.to_mm(Px(value, sd_px)).sd if scale is not None and math.isfinite(rel) else sd_px * k

    def arr(a: Array) -> Array:
        out = np.array(a, dtype=np.float64)
        out.setflags(write=False)
        return out

    def xy(p: Array) -> Array:
        p = p + n.origin
        return arr(np.column_stack([p[:, 1], p[:, 0] / aspect]))

    half = (n.diameter / 2)[:, None] * n.normal
    # the normal points to the right hand of someone walking outwards with the row axis pointing down
    left, right = xy(n.points - half), xy(n.points + half)
    centre = xy(n.points)
    profile = Profile(
        position_px=arr(n.position),
        diameter_px=arr(n.diameter),
        diameter_sd_px=arr(sd),
        reference_px=arr(n.reference.line),
        position_mm=arr(n.position * k),
        diameter_mm=arr(n.diameter * k),
        diameter_sd_mm=arr(np.hypot(sd * k, n.diameter * k * rel_known)),
        reference_mm=arr(n.reference.line * k),
        flags=n.point_codes,
        x_px=arr(centre[:, 0]),
        y_px=arr(centre[:, 1]),
        left_px=left,
        right_px=right,
    )
    at = float(n.position[st.index])
    law = law_reference(name, {m: x.stenosis.reference for m, x in zip(names, all_numbers, strict=True)})
    codes = list(n.codes)
    if st.reference < _DIFFUSE * law and "no_healthy_part" not in codes:
        codes.append("no_healthy_part")
    length = float(n.position[-1] - n.position[0])
    return LimbReading(
        mld_px=st.mld,
        mld_sd_px=st.mld_sd,
        mld_position_px=at,
        reference_px=st.reference,
        reference_sd_px=st.reference_sd,
        lesion_start_px=st.lesion_start,
        lesion_end_px=st.lesion_end,
        lesion_length_px=st.lesion_length,
        lesion_length_sd_px=st.lesion_length_sd,
        length_px=length,
        mld_mm=mm(st.mld),
        mld_sd_mm=sd_mm(st.mld, st.mld_sd),
        mld_position_mm=mm(at),
        reference_mm=mm(st.reference),
        reference_sd_mm=sd_mm(st.reference, st.reference_sd),
        lesion_start_mm=mm(st.lesion_start),
        lesion_end_mm=mm(st.lesion_end),
        lesion_length_mm=mm(st.lesion_length),
        lesion_length_sd_mm=sd_mm(st.lesion_length, st.lesion_length_sd),
        length_mm=mm(length),
        reference_source=n.reference_source,
        ds_percent=st.ds_percent,
        ds_sd_percent=st.ds_sd_percent,
        area_stenosis_percent=st.area_percent,
        area_stenosis_sd_percent=st.area_sd_percent,
        flags=tuple(codes),
        profile=profile,
        law_reference_px=law,
        law_reference_mm=mm(law),
        law_reference_source=LAW_SOURCE if math.isfinite(law) else "",
        edited=n.edited,
    )


_DIFFUSE = 0.75
"""A reference below this part of the law's puts the limb's own healthy part in doubt; own choice, the law scatters by
10 %."""
LAW_SOURCE = "Huo-Kassab diameter law, exponent 7/3 (Huo Y et al., EuroIntervention 2012;7:1310-1316)"
_EXPONENT = 7 / 3


def law_reference(name: LimbName, references: Mapping[str, float]) -> float:
    """Reference diameter of a limb from those of the two others by the Huo-Kassab law; NaN where it has no answer.

    ``Dp^(7/3) = D1^(7/3) + D2^(7/3)``; valid for all bifurcation types (Huo Y et al., EuroIntervention
    2012;7:1310-1316).
    """
    if name not in ("proximal", "distal", "side") or len(references) != 3:
        return math.nan
    proximal, distal, side = (references[n] ** _EXPONENT for n in ("proximal", "distal", "side"))
    power = {"proximal": distal + side, "distal": proximal - side, "side": proximal - distal}[name]
    return float(power ** (1 / _EXPONENT)) if power > 0 else math.nan
