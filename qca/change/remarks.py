"""What to know about a comparison of readings: scales, frames, tone, positions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from qca.change.region import Stretch
from qca.change.times import NAMES
from qca.picks import LIMBS
from qca.report.plain import plain
from qca.sizing.measured import MeasuredBifurcation, Remark


def change_remarks(
    readings: tuple[MeasuredBifurcation, ...],
    *,
    common_scale: bool,
    exceeds_sds: float,
    stents: Mapping[str, Stretch],
    untraced: tuple[tuple[str, str, float], ...],
    bare_minimum: bool,
) -> tuple[Remark, ...]:
    """State what to know about a comparison, in plain sentences.

    Parameters
    ----------
    readings : tuple of MeasuredBifurcation
        Before, after, and later where given.
    common_scale : bool
        All readings carry the very same typed scale.
    exceeds_sds : float
        From this many SDs a change counts.
    stents : mapping
        Stented stretches.
    untraced : tuple of (str, str, float)
        Limb, region and length in mm of what lies beyond the traced part, after or later.
    bare_minimum : bool
        A region rests on the bare minimum of a profile.
    """
    found = [
        Remark(one.code, one.name, f"{name}: {one.where}", one.message, one.untrusted, one.subjects)
        for name, reading in zip(NAMES, readings, strict=False)
        for one in reading.remarks
    ]

    def say(code: str, where: str, message: str, *, untrusted: bool = False) -> None:
        found.append(Remark(code, code.replace("_", " "), where, message, untrusted, frozenset()))

    frames = [(one.frame_sha256, one.frame_index) for one in readings]
    if len(set(frames)) < len(frames):
        message = "Two of the readings are of the same frame: they are no two points in time."
        say("same_frame", "frames", message, untrusted=True)
    if common_scale:
        message = (
            "All readings carry the same scale, so its error cancels in differences; check that the views, and the "
            "depth of the vessel in them, were the same."
        )
        say("common_scale", "scale", message)
    else:
        message = (
            "Each reading has its own scale: differences in mm carry the errors of both; percent stenosis carries none."
        )
        say("independent_scales", "scale", message)
    shift, shift_sd = _reference_shift(readings[0], readings[1])
    if math.isfinite(shift) and abs(shift) > exceeds_sds * shift_sd:
        message = (
            f"The three reference diameters changed together by {100 * shift:+.0f} ± {100 * shift_sd:.0f} % from "
            "before to after: one of the scales, or the vessel's tone, is not the same."
        )
        say("references_shifted", "references", message, untrusted=True)
    if not stents:
        message = (
            "No stented stretch was given, so in-stent and margin numbers are missing: give them as "
            "--stent LIMB=FROM,TO in mm from the carina."
        )
        say("no_stent_given", "stents", message)
    for limb in dict.fromkeys(limb for limb, _, _ in untraced):
        longest = max(length for name, _, length in untraced if name == limb)
        message = (
            f"{longest:.1f} mm of the stent and its margins lie beyond what was traced: a narrowing there would not be "
            "seen. Measure again with the pick further outwards."
        )
        say("not_all_traced", limb, message, untrusted=True)
    if bare_minimum:
        message = (
            "Where a region does not hold the limb's own MLD, its smallest diameter is the bare minimum of the "
            "measured profile, which noise makes a little too small."
        )
        say("profile_minimum", "regions", message)
    message = (
        "The uncertainties hold for these frames. Between separate angiograms the published total variability is 8 to "
        "14 % (coefficient of variation; Herrington DM et al., J Am Coll Cardiol 1993;22:1068-1074)."
    )
    say("frame_choice", "readings", message)
    message = (
        "Positions are counted from the carina of each reading; stenting can shift the carina, and another view "
        "shortens differently."
    )
    say("positions", "regions", message)
    return tuple(found)


def told(remarks: Iterable[Remark]) -> list[tuple[str, str]]:
    """Give remarks for people: limb or place with its times, ``""`` where a message needs none, and the message.

    The same words about several places or times stand once: ``("Side, before and after", "The narrowing starts ...")``.
    """
    places: dict[str, dict[str, list[str]]] = {}
    for one in remarks:
        time, colon, place = one.where.partition(": ")
        if not (colon and time in NAMES):
            time, place = "", one.where if one.where in LIMBS else ""
        times = places.setdefault(plain(one.message), {}).setdefault(plain(place), [])
        if time and time not in times:
            times.append(time)
    return [("; ".join(_lead(*pair) for pair in where.items()), message) for message, where in places.items()]


def _lead(place: str, times: list[str]) -> str:
    when = " and ".join(part for part in (", ".join(times[:-1]), *times[-1:]) if part)
    return ", ".join(part for part in (place[:1].upper() + place[1:], when) if part)


def _reference_shift(before: MeasuredBifurcation, after: MeasuredBifurcation) -> tuple[float, float]:
    """Mean relative change of the references and its SD: random parts averaged, both scales' parts whole."""
    ratios, squares = [], 0.0
    for limb in LIMBS:
        old, new = before.limbs[limb].reference, after.limbs[limb].reference
        if not (old.value > 0 and new.value > 0):
            continue
        ratios.append(new.value / old.value - 1.0)
        squares += (new.sd_random / new.value) ** 2 + (old.sd_random / old.value) ** 2
    if not ratios:
        return (math.nan, math.nan)
    random = math.sqrt(squares) / len(ratios)
    return (sum(ratios) / len(ratios), math.hypot(random, after.scale_relative_sd, before.scale_relative_sd))
