"""From the numbers of a limb in px to its part of the reading: millimetres, the diameter law, stored pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from calib.scale import Scale
from calib.units import Px
from qca.diameter_law import LAW_SOURCE, law_reference, narrow_for_the_law
from qca.limb_numbers import LimbNumbers
from qca.picks import LimbName
from qca.reading import LimbReading, Profile

Array = npt.NDArray[np.float64]

_WIDE_MM = 0.3
"""Half of a 95 % interval of a minimal diameter, the scale's error apart, from which on the number alone says too
little: balloons and stents come in steps of 0.25 mm (common practice, no source)."""


def limb_reading(
    n: LimbNumbers,
    name: LimbName,
    all_numbers: Sequence[LimbNumbers],
    names: Sequence[LimbName],
    scale: Scale | None,
    aspect: float,
) -> LimbReading:
    """Numbers of one limb in px and mm.

    Parameters
    ----------
    n : LimbNumbers
        The limb.
    name : str
        Its name.
    all_numbers, names : sequence of LimbNumbers, sequence of str
        All limbs and their names, for the diameter law.
    scale : Scale or None
        None leaves every number in mm NaN.
    aspect : float
        Row pitch divided by column pitch of the stored pixels.

    Returns
    -------
    LimbReading
        Points as (x, y) in stored pixels; arrays are read-only.
    """
    st = n.stenosis
    k = scale.mm_per_px if scale is not None else math.nan

    def mm(value: float) -> float:
        return value * k

    def sd_mm(value: float, sd_px: float) -> float:
        known = scale is not None and math.isfinite(scale.relative_sd)
        return scale.to_mm(Px(value, sd_px)).sd if scale is not None and known else sd_px * k

    at = float(n.position[st.index])
    law = law_reference(name, {m: x.stenosis.reference for m, x in zip(names, all_numbers, strict=True)})
    codes = list(n.codes)
    mouths: dict[str, float] = {m: float(x.reference.line[0]) for m, x in zip(names, all_numbers, strict=True)}
    if narrow_for_the_law(name, mouths) and "no_healthy_part" not in codes:
        codes.append("no_healthy_part")
    if mm(1.96 * st.mld_sd) > _WIDE_MM:
        codes.append("wide_interval")
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
        profile=_profile(n, scale, aspect),
        law_reference_px=law,
        law_reference_mm=mm(law),
        law_reference_source=LAW_SOURCE if math.isfinite(law) else "",
        edited=n.edited,
    )


def _profile(n: LimbNumbers, scale: Scale | None, aspect: float) -> Profile:
    """Diameters along a limb in px and mm; the scale's SD is left out where it is not known."""
    sd = np.sqrt(np.maximum(np.diag(n.covariance), 0))
    k, relative = (scale.mm_per_px, scale.relative_sd) if scale is not None else (math.nan, math.nan)
    known = relative if math.isfinite(relative) else 0.0

    def xy(p: Array) -> Array:
        p = p + n.origin
        return _frozen(np.column_stack([p[:, 1], p[:, 0] / aspect]))

    half = (n.diameter / 2)[:, None] * n.normal
    centre = xy(n.points)
    # the normal points to the right hand of someone walking outwards with the row axis pointing down
    return Profile(
        position_px=_frozen(n.position),
        diameter_px=_frozen(n.diameter),
        diameter_sd_px=_frozen(sd),
        reference_px=_frozen(n.reference.line),
        position_mm=_frozen(n.position * k),
        diameter_mm=_frozen(n.diameter * k),
        diameter_sd_mm=_frozen(np.hypot(sd * k, n.diameter * k * known)),
        reference_mm=_frozen(n.reference.line * k),
        flags=n.point_codes,
        x_px=_frozen(centre[:, 0]),
        y_px=_frozen(centre[:, 1]),
        left_px=xy(n.points - half),
        right_px=xy(n.points + half),
    )


def _frozen(values: Array) -> Array:
    """Copy that cannot be written to."""
    out = np.array(values, dtype=np.float64)
    out.setflags(write=False)
    return out
