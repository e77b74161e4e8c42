"""Published criteria about the lesion itself: true bifurcation, complexity, reasons for an upfront second stent.

The criteria are joined by "and" as in the table of the paper: stenosis and length. Where a fact is not said, the
answer is worked out both ways; if it makes no difference, there is an answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.sizing.draws import chance
from qca.sizing.facts import ACCESS_GRADES, CALCIFICATION_GRADES, Facts
from qca.sizing.quantities import angle_b, fact, grade, length, percent
from qca.sizing.rules import Judgement, Quantity, decide

Events = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Either:
    """Something that may depend on facts nobody said: the answer if they speak against it, and if they speak for it.

    ``low`` and ``high`` are samples; ``low_value`` and ``high_value`` the same by the bare values.
    """

    low: Events
    high: Events
    low_value: float
    high_value: float

    def quantity(self, sure: float, missing: str, subjects: tuple[str, ...], *, unknown: bool) -> Quantity:
        """Make a quantity of it: its value by the bare numbers, its probability by the samples."""
        low, high = float(np.mean(self.low)), float(np.mean(self.high))
        if unknown or decide(low, sure) != decide(high, sure):
            return Quantity(missing=missing, subjects=subjects)
        probability = (low + high) / 2.0
        value = self.low_value if probability < 0.5 else self.high_value
        return Quantity(value, math.nan, probability=probability, subjects=subjects)


@dataclass(frozen=True, slots=True)
class LesionAnswer:
    """The criteria one by one, and the two answers that techniques use.

    Parameters
    ----------
    judgements : tuple of Judgement
        All criteria that apply to this site and phase.
    complex_lesion : Quantity
        1 when one major and two minor criteria hold, else 0; ``probability`` is that of NOT being complex.
    reasons : Quantity
        Number of published reasons for an upfront second stent; ``probability`` that there is at least one.
    """

    judgements: tuple[Judgement, ...]
    complex_lesion: Quantity
    reasons: Quantity


def lesion_answer(facts: Facts) -> LesionAnswer:
    """Apply the published criteria to one case."""
    complex_events, minor_count = _complex(facts)
    sure = facts.assumptions.sure_probability
    subjects = ("side", "distal", "proximal", "angles", "scale")
    unsaid = _unsaid(facts, ("site", "calcification", "lesions", "thrombus"))
    lost = _measurement_unknown(facts)
    # Where the stenosis alone says no, nothing else can make the lesion complex.
    behind = ("side",) if decide(_severe(facts), sure) == "does_not_fit" else subjects
    chen = complex_events.quantity(sure, lost or unsaid, behind, unknown=bool(lost))
    complex_lesion = chen if chen.missing else _flipped(chen)
    minors = minor_count.quantity(sure, lost or unsaid, subjects[1:], unknown=bool(lost))
    reasons = _reasons(facts, complex_events)
    missing = lost or _unsaid(facts, ("site", "calcification", "side_mass_percent", "side_access", "lesions",
                                      "thrombus"))  # fmt: skip
    judgements = [*_side_rules(facts), *_chen_rules(facts), facts.judge("complexity_minor_count", minors)]
    judgements += [
        *_upfront_rules(facts),
        facts.judge("side_more_angulated", _bend(facts)),
        *_left_main_rules(facts),
        *_jailed_rules(facts),
    ]
    return LesionAnswer(
        tuple(judgements),
        complex_lesion,
        reasons.quantity(sure, missing, subjects, unknown=bool(lost)),
    )


def _severe(facts: Facts) -> float:
    """Probability that the side branch is narrow enough for the major criterion of a site that may be unsaid."""
    rule = "complexity_other_stenosis" if facts.case.site == "not_left_main" else "complexity_left_main_stenosis"
    stenosis = facts.draws.ds_percent["side"]
    return chance(stenosis >= facts.rules[rule].threshold, stenosis)


def _flipped(quantity: Quantity) -> Quantity:
    probability = 1.0 - quantity.probability if quantity.probability is not None else None
    return Quantity(quantity.value, quantity.sd, probability=probability, subjects=quantity.subjects)


def _side_rules(facts: Facts) -> list[Judgement]:
    side = facts.measured.side
    worst = max(("proximal", "distal"), key=lambda name: np.nan_to_num(facts.measured.limbs[name].ds_percent, nan=-1e9))
    draws = facts.draws
    threshold = facts.rules["true_main"].threshold
    event = (draws.ds_percent["proximal"] >= threshold) | (draws.ds_percent["distal"] >= threshold)
    main = percent(facts, worst)
    both = chance(event, draws.ds_percent["proximal"], draws.ds_percent["distal"])
    main = Quantity(main.value, main.sd, main.missing, probability=both, subjects=("proximal", "distal"))
    return [
        facts.judge("side_relevance", length(side.reference, "side branch RVD", "side")),
        facts.judge("true_side", percent(facts, "side")),
        facts.judge("true_main", main),
    ]


def _chen_rules(facts: Facts) -> list[Judgement]:
    side = facts.measured.side
    site = facts.case.site
    stenosis = percent(facts, "side")
    rows = []
    if site != "not_left_main":
        rows.append(("complexity_left_main_stenosis", stenosis))
    if site != "left_main":
        rows.append(("complexity_other_stenosis", stenosis))
    thrombus = None if facts.case.thrombus is None else float(facts.case.thrombus)
    rows += [
        ("complexity_side_length", length(side.lesion_length, "side lesion length", "side")),
        ("complexity_calcification", grade(facts, "calcification")),
        ("complexity_lesions", fact(facts.case.lesions, "lesions")),
        ("complexity_narrow_angle", angle_b(facts)),
        ("complexity_wide_angle", angle_b(facts)),
        ("complexity_small_main", length(facts.reference("distal"), "distal RVD", "distal")),
        ("complexity_thrombus", fact(thrombus, "thrombus")),
        ("complexity_main_length",
         length(facts.main_lesion_length(), "main vessel lesion length", "proximal", "distal")),
    ]  # fmt: skip
    return [facts.judge(rule_id, quantity) for rule_id, quantity in rows]


def _upfront_rules(facts: Facts) -> list[Judgement]:
    side = facts.measured.side
    return [
        facts.judge("upfront_ostial_start", length(side.lesion_start, "side lesion limits", "side")),
        facts.judge("upfront_ostial_length", length(side.lesion_length, "side lesion length", "side")),
        facts.judge("upfront_side_mass", fact(facts.case.side_mass_percent, "side_mass_percent")),
        facts.judge("upfront_access", grade(facts, "side_access")),
    ]


def _bend(facts: Facts) -> Quantity:
    (a, a_sd), (c, c_sd) = facts.measured.angles_deg["A"], facts.measured.angles_deg["C"]
    missing = "angles A and C" if math.isnan(a - c) else ""
    return Quantity(a - c, math.hypot(a_sd, c_sd), missing, subjects=("angles",))


def _left_main_rules(facts: Facts) -> list[Judgement]:
    if facts.case.site != "left_main":
        return []
    side = facts.measured.side
    rows = (
        ("left_main_side_reference", length(side.reference, "side branch RVD", "side")),
        ("left_main_side_length", length(side.lesion_length, "side lesion length", "side")),
        ("left_main_studied_reference", length(facts.reference("proximal"), "proximal RVD", "proximal")),
        ("left_main_studied_side", length(side.reference, "side branch RVD", "side")),
    )
    return [facts.judge(rule_id, quantity) for rule_id, quantity in rows]


def _jailed_rules(facts: Facts) -> list[Judgement]:
    if facts.case.phase != "after_first_stent" or facts.case.first_stent == "side":
        return []
    return [
        facts.judge("jailed_side_stenosis", percent(facts, "side")),
        facts.judge("jailed_side_flow", fact(facts.case.side_flow_grade, "side_flow_grade")),
    ]


def _complex(facts: Facts) -> tuple[Either, Either]:
    """Complexity and count of minor criteria over the samples, and by the bare values."""
    t = {rule_id: rule.threshold for rule_id, rule in facts.rules.items()}
    draws, measured = facts.draws, facts.measured
    side = measured.side

    def major(ds: npt.ArrayLike, lesion: npt.ArrayLike, stenosis_rule: str) -> Events:
        return (np.asarray(ds) >= t[stenosis_rule]) & (np.asarray(lesion) >= t["complexity_side_length"])

    def minors(angle: npt.ArrayLike, main: npt.ArrayLike, main_length: npt.ArrayLike) -> npt.NDArray[np.int64]:
        bend = np.asarray(angle)
        wide = (bend < t["complexity_narrow_angle"]) | (bend > t["complexity_wide_angle"])
        small = np.asarray(main) < t["complexity_small_main"]
        long = np.asarray(main_length) >= t["complexity_main_length"]
        return wide.astype(np.int64) + small + long

    case = facts.case
    graded = None if case.calcification is None else CALCIFICATION_GRADES[case.calcification]
    said = (
        None if graded is None else graded >= t["complexity_calcification"],
        None if case.lesions is None else case.lesions >= t["complexity_lesions"],
        None if case.thrombus is None else float(case.thrombus) >= t["complexity_thrombus"],
    )
    least, most = sum(item is True for item in said), sum(item is not False for item in said)
    strict, loose = {
        "left_main": ("complexity_left_main_stenosis",) * 2,
        "not_left_main": ("complexity_other_stenosis",) * 2,
    }.get(case.site or "", ("complexity_other_stenosis", "complexity_left_main_stenosis"))
    main_length = sum(
        (draws.lesion_length_mm[name] for name in ("proximal", "distal") if facts.covered(name)),
        start=np.zeros(draws.number),
    )
    sampled = minors(draws.angle_b_deg, draws.reference_mm["distal"], main_length)
    bare = int(minors(measured.angles_deg["B"][0], facts.reference("distal").value, facts.main_lesion_length().value))
    ds, lesion = draws.ds_percent["side"], draws.lesion_length_mm["side"]
    needed = t["complexity_minor_count"]

    def joined(rule: str, count: int) -> tuple[Events, float]:
        events = major(ds, lesion, rule) & (sampled + count >= needed)
        value = major(side.ds_percent, side.lesion_length.value, rule) & (bare + count >= needed)
        return events, float(value)

    low, low_value = joined(strict, least)
    high, high_value = joined(loose, most)
    return (
        Either(low, high, low_value, high_value),
        Either(sampled + least >= needed, sampled + most >= needed, float(bare + least), float(bare + most)),
    )


def _reasons(facts: Facts, complex_events: Either) -> Either:
    """Count the published reasons for an upfront second stent."""
    t = {rule_id: rule.threshold for rule_id, rule in facts.rules.items()}
    draws, case, side = facts.draws, facts.case, facts.measured.side

    def ostial(ds: npt.ArrayLike, lesion: npt.ArrayLike, start: npt.ArrayLike) -> Events:
        return (
            (np.asarray(ds) >= t["true_side"])
            & (np.asarray(lesion) > t["upfront_ostial_length"])
            & (np.asarray(start) <= t["upfront_ostial_start"])
        )

    def true_bifurcation(side_ds: npt.ArrayLike, proximal: npt.ArrayLike, distal: npt.ArrayLike) -> Events:
        main = (np.asarray(proximal) >= t["true_main"]) | (np.asarray(distal) >= t["true_main"])
        return (np.asarray(side_ds) >= t["true_side"]) & main

    graded = None if case.calcification is None else CALCIFICATION_GRADES[case.calcification]
    calcified = None if graded is None else graded >= t["complexity_calcification"]
    large = None if case.side_mass_percent is None else case.side_mass_percent >= t["upfront_side_mass"]
    heavy = False if False in (calcified, large) else (None if None in (calcified, large) else True)
    hard = None if case.side_access is None else ACCESS_GRADES[case.side_access] <= t["upfront_access"]
    left_main = None if case.site is None else case.site == "left_main"
    said = (heavy, hard)
    ds = draws.ds_percent
    limbs = facts.measured.limbs
    sampled = ostial(ds["side"], draws.lesion_length_mm["side"], draws.lesion_start_mm["side"])
    truly = true_bifurcation(ds["side"], ds["proximal"], ds["distal"])
    bare = float(ostial(side.ds_percent, side.lesion_length.value, side.lesion_start.value))
    bare_true = float(true_bifurcation(*(limbs[name].ds_percent for name in ("side", "proximal", "distal"))))
    # What nobody said speaks against a reason in the low answer and for it in the high one.
    low_said, high_said = sum(x is True for x in said), sum(x is not False for x in said)
    low = sampled | complex_events.low | bool(low_said) | (truly if left_main is True else False)
    high = sampled | complex_events.high | bool(high_said) | (truly if left_main is not False else False)
    return Either(
        low,
        high,
        bare + complex_events.low_value + low_said + (bare_true if left_main is True else 0.0),
        bare + complex_events.high_value + high_said + (bare_true if left_main is not False else 0.0),
    )


def _unsaid(facts: Facts, keys: tuple[str, ...]) -> str:
    unsaid = [key for key in keys if getattr(facts.case, key) is None]
    return f"case: {', '.join(unsaid)}" if unsaid else "case facts"


def _measurement_unknown(facts: Facts) -> str:
    """Name the measured numbers that the criteria need and that nobody knows."""
    draws = facts.draws
    behind = {
        "percent stenosis of the side branch with its SD": draws.ds_percent["side"],
        "side lesion length with its SD": draws.lesion_length_mm["side"],
        "distal RVD with its SD": draws.reference_mm["distal"],
        "angle B with its SD": draws.angle_b_deg,
        "main vessel stenosis with its SD": draws.ds_percent["proximal"] + draws.ds_percent["distal"],
    }
    return ", ".join(name for name, sample in behind.items() if np.isnan(sample[0]))
