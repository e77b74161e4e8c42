"""Before, after and later: gain, residual stenosis, loss, restenosis, and whether a change exceeds measurement error.

Two readings have two scales. Unless both were typed in or read as the very same number, their errors are independent
and a difference of millimetres carries both; percent stenosis carries neither.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from calib.units import Mm
from qca.change.region import MARGIN_MM, Narrowest, Stretch, narrowest, whole
from qca.change.remarks import change_remarks
from qca.change.times import NAMES
from qca.errors import InputError
from qca.picks import LIMBS
from qca.reading import Reading
from qca.sizing.measured import MeasuredBifurcation, Remark, measured_bifurcation
from qca.sizing.overrides import NO_OVERRIDES, Overrides
from qca.sizing.probability import normal_cdf
from qca.sizing.rules import Judgement, Quantity, Rule, judge


@dataclass(frozen=True, slots=True)
class Difference:
    """A change with its uncertainty.

    Parameters
    ----------
    value, sd : float
        In ``unit``; NaN when unknown.
    unit : str
        ``mm``, ``%`` or empty.
    exceeds : bool or None
        Whether it exceeds measurement error; None when that cannot be told.
    sign_probability : float
        Probability that the true change has the sign of the measured one.
    """

    value: float
    sd: float
    unit: str
    exceeds: bool | None
    sign_probability: float


@dataclass(frozen=True, slots=True)
class RegionChange:
    """One region of one limb through two or three readings.

    ``region`` is ``limb``, ``in_stent``, ``margins``, ``in_segment`` (stent and margins) or ``ostium``. Later fields
    are None without a third reading. ``loss_index`` is late loss over acute gain. ``held_back`` says why the numbers of
    this limb must not be relied on; empty when they may.
    """

    limb: str
    region: str
    before: Narrowest
    after: Narrowest
    later: Narrowest | None
    acute_gain: Difference
    residual: Judgement
    late_loss: Difference | None
    net_gain: Difference | None
    loss_index: Difference | None
    restenosis: Judgement | None
    held_back: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two or three readings of one bifurcation.

    Parameters
    ----------
    readings : tuple of MeasuredBifurcation
        Before, after, and later where given.
    stents : mapping
        Limb to the stretch that is stented.
    regions : tuple of RegionChange
        Every region of every limb.
    references : mapping
        Limb to the change of its reference, before to after.
    angles : mapping
        Angle to its change, before to after.
    common_scale : bool
        True when all readings carry the very same scale, whose error then cancels.
    remarks : tuple of Remark
        What to know.
    """

    readings: tuple[MeasuredBifurcation, ...]
    stents: Mapping[str, Stretch]
    regions: tuple[RegionChange, ...]
    references: Mapping[str, Difference]
    angles: Mapping[str, Difference]
    common_scale: bool
    remarks: tuple[Remark, ...]

    @property
    def worst(self) -> RegionChange | None:
        """The region with the largest residual stenosis in the last reading: the bifurcation is as good as that."""
        known = [(_last(one).ds_percent, one) for one in self.regions if math.isfinite(_last(one).ds_percent)]
        return max(known, key=lambda pair: pair[0])[1] if known else None


def compare(
    before: Reading,
    after: Reading,
    later: Reading | None = None,
    *,
    stents: Mapping[str, Stretch] | None = None,
    overrides: Overrides = NO_OVERRIDES,
) -> Comparison:
    """Compare readings of one bifurcation before, after and later.

    Parameters
    ----------
    before, after : Reading
        Before and after treatment, both with a scale.
    later : Reading or None
        Follow-up.
    stents : mapping or None
        Limb to the stented stretch; without it there are no in-stent numbers.
    overrides : Overrides
        Changed thresholds.

    Raises
    ------
    MissingScale, InputError
        If a reading has no scale or no bifurcation, or a stretch is for no limb.
    """
    stents = MappingProxyType(dict(stents or {}))
    for limb in stents:
        if limb not in LIMBS:
            msg = f"There is no limb {limb!r}: stented stretches are for {', '.join(LIMBS)}."
            raise InputError(msg)
    given = [reading for reading in (before, after, later) if reading is not None]
    readings = tuple(measured_bifurcation(reading) for reading in given)
    rules, sure = overrides.rules(), overrides.assumptions().sure_probability
    judging = _Judging(rules, sure, _common_scale(readings))
    regions = tuple(
        _region(limb, region, stretches, readings, judging, stented=limb in stents)
        for limb in LIMBS
        for region, stretches in _regions(limb, stents.get(limb))
    )
    pair = readings[0], readings[1]
    references: dict[str, Difference] = {
        limb: judging.lengths(pair[1].limbs[limb].reference, pair[0].limbs[limb].reference) for limb in LIMBS
    }
    angles = {
        name: judging.difference(
            pair[1].angles_deg[name][0] - pair[0].angles_deg[name][0],
            math.hypot(pair[1].angles_deg[name][1], pair[0].angles_deg[name][1]),
            "deg",
        )
        for name in "ABC"
    }
    return Comparison(
        readings,
        stents,
        regions,
        MappingProxyType(references),
        MappingProxyType(angles),
        judging.common_scale,
        change_remarks(
            readings,
            common_scale=judging.common_scale,
            exceeds_sds=judging.rules["change"].threshold,
            stents=stents,
            untraced=tuple(
                (region.limb, region.region, max(one.missing_mm for one in (region.after, region.later) if one))
                for region in regions
                if any(one.missing_mm for one in (region.after, region.later) if one)
            ),
            bare_minimum=any(
                not one.corrected for region in regions for one in (region.before, region.after, region.later) if one
            ),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Judging:
    """Rules and the way differences are formed."""

    rules: Mapping[str, Rule]
    sure: float
    common_scale: bool

    def difference(self, value: float, sd: float, unit: str) -> Difference:
        if math.isnan(value) or math.isnan(sd):
            return Difference(value, sd, unit, None, math.nan)
        if sd == 0:
            return Difference(value, 0.0, unit, value != 0, 1.0 if value else 0.5)
        ratio = abs(value) / sd
        return Difference(value, sd, unit, ratio >= self.rules["change"].threshold, normal_cdf(ratio))

    def lengths(self, new: Mm, old: Mm) -> Difference:
        """Subtract lengths of two readings: scale errors are independent unless the scales are the same."""
        sd = (new - old).sd if self.common_scale else math.hypot(new.sd, old.sd)
        return self.difference(new.value - old.value, sd, "mm")

    def judge(self, rule_id: str, found: Narrowest, shaky: str) -> Judgement:
        missing = "stenosis of this region" if math.isnan(found.ds_percent) else ""
        rule = self.rules[rule_id]
        # What was not traced can hold a narrowing: it cannot mend a bad answer, and a good one is not certain.
        good = found.ds_percent < rule.threshold
        doubt = f"{found.missing_mm:.1f} mm not traced" if good and found.missing_mm else ""
        quantity = Quantity(found.ds_percent, found.ds_sd_percent, missing, doubt=doubt)
        return judge(rule, quantity, sure=self.sure, shaky=shaky)


def _region(
    limb: str,
    region: str,
    stretches: tuple[Stretch, ...],
    readings: tuple[MeasuredBifurcation, ...],
    judging: _Judging,
    *,
    stented: bool,
) -> RegionChange:
    found = [
        narrowest(reading.limbs[limb], stretches, reading.scale_relative_sd)
        if stretches
        else whole(reading.limbs[limb])
        for reading in readings
    ]
    before, after = found[0], found[1]
    later = found[2] if len(found) > 2 else None
    limb_flags = [flagged(reading, limb) for reading in readings]
    gain = judging.lengths(after.mld, before.mld)
    loss = judging.lengths(after.mld, later.mld) if later else None
    return RegionChange(
        limb,
        region,
        before,
        after,
        later,
        gain,
        judging.judge("success_stent" if stented else "success_balloon", after, limb_flags[1]),
        loss,
        judging.lengths(later.mld, before.mld) if later else None,
        _loss_index(before.mld, after.mld, later.mld, judging) if later else None,
        judging.judge("restenosis", later, limb_flags[2]) if later else None,
        "; ".join(
            f"{name}: {why}"
            for name, reading in zip(NAMES, readings, strict=False)
            if (why := flagged(reading, limb, "scale"))
        ),
    )


def flagged(reading: MeasuredBifurcation, *subjects: str) -> str:
    """Name the places whose flags forbid relying on numbers of any of the subjects; ``""`` for none."""
    return ", ".join(dict.fromkeys(f"{one.where} flagged" for one in reading.untrusted(*subjects)))


def _regions(limb: str, stent: Stretch | None) -> list[tuple[str, tuple[Stretch, ...]]]:
    regions: list[tuple[str, tuple[Stretch, ...]]] = [("limb", ())]
    if stent is not None:
        regions += [
            ("in_stent", (stent,)),
            ("margins", stent.margins()),
            ("in_segment", (stent, *stent.margins())),
        ]
    if limb == "side":
        regions.append(("ostium", (Stretch(0.0, MARGIN_MM),)))
    return regions


def _loss_index(before: Mm, after: Mm, later: Mm, judging: _Judging) -> Difference:
    """Late loss over acute gain; unknown where the gain does not exceed its own error.

    With ``g = after - before`` and ``l = after - later`` the partial derivatives are ``l/g^2`` by before,
    ``(g - l)/g^2`` by after and ``-1/g`` by later; a common scale cancels.
    """
    gain, loss = after.value - before.value, after.value - later.value
    if judging.lengths(after, before).exceeds is not True:
        return Difference(math.nan, math.nan, "", None, math.nan)
    slopes = (loss / gain**2, (gain - loss) / gain**2, -1.0 / gain)
    parts = [
        slope * (length.sd_random if judging.common_scale else length.sd)
        for slope, length in zip(slopes, (before, after, later), strict=True)
    ]
    return judging.difference(loss / gain, math.hypot(*parts), "")


def _common_scale(readings: tuple[MeasuredBifurcation, ...]) -> bool:
    """Tell whether all readings carry the very same typed scale.

    A catheter is measured anew in each frame, and a header's scale errs with the depth of the vessel in each view.
    """
    scales = {(one.scale_mm_per_px, one.scale_source) for one in readings}
    return len(scales) == 1 and readings[0].scale_source.startswith("typed")


def _last(one: RegionChange) -> Narrowest:
    return one.later or one.after
