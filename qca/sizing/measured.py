"""What sizing needs from a reading: three limbs and three angles, on millimetres.

The only file of this wing that knows the reading. A length's SD in a reading is the total; the scale's part is the
same relative error for all lengths and is taken apart here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from calib.units import Mm
from qca.contradictions import contradictions
from qca.errors import InputError, MissingScale
from qca.picks import LIMBS
from qca.reading import LimbReading, Reading

_MOST_CLAUSES = 3
"""Contradictions that are written out; one number that was changed makes several."""


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to know about the measurement: ``untrusted`` when numbers of ``subjects`` must not be relied on."""

    code: str
    name: str
    where: str
    message: str
    untrusted: bool
    subjects: frozenset[str]


@dataclass(frozen=True, slots=True)
class MeasuredLimb:
    """One limb on millimetres; positions from the carina outwards; unknown is NaN.

    Parameters
    ----------
    name : str
        proximal, distal or side.
    reference : Mm
        Reference diameter.
    reference_source : str
        What it rests on.
    derived : bool
        True when it comes from a diameter law instead of the limb itself.
    mld : Mm
        Minimal lumen diameter.
    ds_percent, ds_sd_percent : float
        Percent diameter stenosis.
    lesion_start, lesion_end, lesion_length : Mm
        Lesion limits and length along the limb, as seen in this view (never longer than in truth).
    traced_mm : float
        How much of the limb was measured.
    outline : tuple of (float, float)
        Position and diameter along the limb, for drawings and for the minimum inside a stretch.
    outline_sd : tuple of float
        SD of those diameters, total.
    outline_reference : tuple of float
        Reference diameter at those positions; NaN where unknown.
    """

    name: str
    reference: Mm
    reference_source: str
    derived: bool
    mld: Mm
    ds_percent: float
    ds_sd_percent: float
    lesion_start: Mm
    lesion_end: Mm
    lesion_length: Mm
    traced_mm: float
    mld_position_mm: float
    outline: tuple[tuple[float, float], ...]
    outline_sd: tuple[float, ...]
    outline_reference: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class MeasuredBifurcation:
    """The measured bifurcation.

    ``angles_deg`` maps A, B, C to (degrees, SD). ``scale_relative_sd`` is the error common to all lengths.
    """

    limbs: Mapping[str, MeasuredLimb]
    angles_deg: Mapping[str, tuple[float, float]]
    scale_mm_per_px: float
    scale_relative_sd: float
    scale_source: str
    medina_code: str
    frame_sha256: str
    frame_file: str
    frame_index: int
    remarks: tuple[Remark, ...]

    @property
    def proximal(self) -> MeasuredLimb:
        """The proximal main vessel."""
        return self.limbs["proximal"]

    @property
    def distal(self) -> MeasuredLimb:
        """The distal main vessel."""
        return self.limbs["distal"]

    @property
    def side(self) -> MeasuredLimb:
        """The side branch."""
        return self.limbs["side"]

    def untrusted(self, *subjects: str) -> tuple[Remark, ...]:
        """Remarks that forbid relying on numbers of any of the subjects (limb names, angles, scale)."""
        wanted = {*subjects, "everything"}
        return tuple(remark for remark in self.remarks if remark.untrusted and remark.subjects & wanted)


def measured_bifurcation(reading: Reading, *, scale_relative_sd: float | None = None) -> MeasuredBifurcation:
    """Take from a reading what sizing needs.

    Parameters
    ----------
    reading : Reading
        A measured bifurcation with a scale.
    scale_relative_sd : float or None
        Relative SD of the scale, used only where the reading does not know it.

    Returns
    -------
    MeasuredBifurcation
        Limbs that could not be measured are present with NaN.

    Raises
    ------
    MissingScale
        If the reading is in pixels only.
    InputError
        If it is one segment without a bifurcation.
    """
    if "segment" in reading.limbs:
        msg = "This reading is one segment without a side branch: sizing needs a bifurcation with its three limbs."
        raise InputError(msg, file=reading.frame.file)
    if reading.scale is None:
        msg = (
            "This reading has no scale, so its lengths are pixels and nothing can be sized from it: measure again with "
            "a catheter, a known scale or the header's scale."
        )
        raise MissingScale(msg, file=reading.frame.file)
    relative = reading.scale.relative_sd
    source = reading.scale.source
    if not math.isfinite(relative) and scale_relative_sd is not None:
        relative = scale_relative_sd
        source = f"{source}; its uncertainty from the case file"
    mm_per_px = reading.scale.mm_per_px
    limbs: dict[str, MeasuredLimb] = {name: _limb(name, reading.limbs.get(name), relative, mm_per_px) for name in LIMBS}
    angles = reading.angles
    return MeasuredBifurcation(
        limbs=MappingProxyType(limbs),
        angles_deg=MappingProxyType(
            {"A": (angles.A, angles.sd_A), "B": (angles.B, angles.sd_B), "C": (angles.C, angles.sd_C)}
            if angles is not None
            else dict.fromkeys("ABC", (math.nan, math.nan))
        ),
        scale_mm_per_px=reading.scale.mm_per_px,
        scale_relative_sd=relative,
        scale_source=source,
        medina_code=reading.medina.code if reading.medina is not None else "?,?,?",
        frame_sha256=reading.frame.sha256,
        frame_file=reading.frame.file,
        frame_index=reading.frame.index,
        remarks=_remarks(reading),
    )


def split(value: float, sd: float, relative: float, random: float = math.nan) -> Mm:
    """Take the SD of a length apart into the random part and the scale's part.

    Parameters
    ----------
    value, sd : float
        A length and its total SD, mm.
    relative : float
        Relative SD of the scale.
    random : float
        The random part where it is known by itself (the SD in pixels times the scale); NaN: it is worked out.

    Returns
    -------
    Mm
        Without ``random``: ``sd_random = sqrt(sd^2 - (value relative)^2)``; a total below the scale's part (rounding)
        leaves 0.
    """
    scale_part = value * relative
    if math.isfinite(random):
        return Mm(value, random, scale_part)
    return Mm(value, math.sqrt(max(0.0, sd**2 - scale_part**2)), scale_part)


def _limb(name: str, limb: LimbReading | None, relative: float, mm_per_px: float) -> MeasuredLimb:
    if limb is None:
        unknown = Mm(math.nan)
        return MeasuredLimb(
            name=name,
            reference=unknown,
            reference_source="not measured",
            derived=False,
            mld=unknown,
            ds_percent=math.nan,
            ds_sd_percent=math.nan,
            lesion_start=unknown,
            lesion_end=unknown,
            lesion_length=unknown,
            traced_mm=math.nan,
            mld_position_mm=math.nan,
            outline=(),
            outline_sd=(),
            outline_reference=(),
        )

    def length(value: float, sd: float, px_sd: float) -> Mm:
        return split(value, sd, relative, px_sd * mm_per_px)

    start, end = sorted((limb.lesion_start_mm, limb.lesion_end_mm))
    # Each end of a lesion is known no better than its length: the length's SD serves for both.
    end_sd, end_sd_px = limb.lesion_length_sd_mm, limb.lesion_length_sd_px
    profile = limb.profile
    known = [
        k
        for k, (position, diameter) in enumerate(zip(profile.position_mm, profile.diameter_mm, strict=True))
        if math.isfinite(position) and math.isfinite(diameter)
    ]
    return MeasuredLimb(
        name=name,
        reference=length(limb.reference_mm, limb.reference_sd_mm, limb.reference_sd_px),
        reference_source=limb.reference_source,
        derived="law" in limb.reference_source.lower(),
        mld=length(limb.mld_mm, limb.mld_sd_mm, limb.mld_sd_px),
        ds_percent=limb.ds_percent,
        ds_sd_percent=limb.ds_sd_percent,
        lesion_start=length(start, end_sd, end_sd_px),
        lesion_end=length(end, end_sd, end_sd_px),
        lesion_length=length(limb.lesion_length_mm, end_sd, end_sd_px),
        traced_mm=limb.length_mm,
        mld_position_mm=limb.mld_position_mm,
        outline=tuple((float(profile.position_mm[k]), float(profile.diameter_mm[k])) for k in known),
        outline_sd=tuple(float(profile.diameter_sd_mm[k]) for k in known),
        outline_reference=tuple(float(profile.reference_mm[k]) for k in known),
    )


def _remarks(reading: Reading) -> tuple[Remark, ...]:
    from qca.report.remarks import remarks

    found = [
        Remark(item.code, item.name, item.place, item.text, item.untrusted, item.subjects) for item in remarks(reading)
    ]
    clauses = contradictions(reading)
    if clauses:
        more = f"; and {len(clauses) - _MOST_CLAUSES} more" if len(clauses) > _MOST_CLAUSES else ""
        text = (
            f"Numbers of the reading contradict each other: {'; '.join(clauses[:_MOST_CLAUSES])}{more}. They were "
            "changed after the measurement, and what follows rests on those in mm as they stand: take the file as it "
            "was written, or measure the frame again; a reference, lesion limits or walls of your own go into the "
            "picks, as edits."
        )
        # of no subject: nobody knows which of two numbers is the right one, and the rules judge what was given
        found.append(
            Remark("numbers_contradict", "numbers contradict", "reading", text, untrusted=True, subjects=frozenset())
        )
    return tuple(found)
