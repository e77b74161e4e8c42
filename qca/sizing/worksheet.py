"""The worksheet: the sizing rules applied to one reading with the user's devices and case facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from qca.reading import Reading
from qca.sizing.case import NO_CASE, TECHNIQUE_IDS, Case
from qca.sizing.complexity import LesionAnswer, lesion_answer
from qca.sizing.conflicts import Conflict, conflicts
from qca.sizing.devices import NO_DEVICES, DeviceTable
from qca.sizing.draws import draw
from qca.sizing.facts import Facts
from qca.sizing.geometry import BifurcationGeometry, TechniqueGeometry, bifurcation_geometry, technique_geometry
from qca.sizing.laws import LAWS, LawAnswer
from qca.sizing.measured import Remark, measured_bifurcation
from qca.sizing.overrides import NO_OVERRIDES, Overrides
from qca.sizing.references import LawCheck, contradiction, law_checks, law_reference, with_derived_references
from qca.sizing.script import Step
from qca.sizing.sizes import SizeRow, size_rows
from qca.sizing.steps import steps
from qca.sizing.technique_rules import Attempt
from qca.sizing.techniques import TechniqueAnswer, answer
from qca.sizing.wording import length_text


@dataclass(frozen=True, slots=True)
class Origin:
    """A file that went into the worksheet: name without folder, and SHA-256 of its bytes."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Origins:
    """The files behind a worksheet; None = not given."""

    reading: Origin | None = None
    devices: Origin | None = None
    case: Origin | None = None
    rules: Origin | None = None


@dataclass(frozen=True, slots=True)
class Worksheet:
    """Everything that ``qca plan`` found.

    Parameters
    ----------
    origins : Origins
        Files behind it.
    facts : Facts
        Measurement (references derived where needed), case, rules and planning numbers used.
    table : DeviceTable
        The user's devices.
    overrides : Overrides
        Changed thresholds.
    fixed : mapping
        Role to label, as the user fixed them.
    technique : str or None
        The technique chosen by the operator.
    conflicts : tuple of Conflict
        What speaks against the fixed devices.
    law_checks : tuple of LawCheck
        The proximal reference against each law.
    law_references : mapping
        Limb to what the default law makes of the other two.
    lesion : LesionAnswer
        Published criteria about the lesion.
    geometry : BifurcationGeometry
        What follows from references and angles alone.
    sizes : tuple of SizeRow
        Roles with targets and devices.
    answers : tuple of TechniqueAnswer
        The techniques by the numbers.
    technique_geometry : mapping
        Technique id to what it leaves behind.
    steps : mapping
        Technique id to its steps.
    remarks : tuple of Remark
        What to know about the measurement and the planning.
    """

    origins: Origins
    facts: Facts
    table: DeviceTable
    overrides: Overrides
    fixed: Mapping[str, str]
    technique: str | None
    conflicts: tuple[Conflict, ...]
    law_checks: tuple[LawCheck, ...]
    law_references: Mapping[str, LawAnswer]
    lesion: LesionAnswer
    geometry: BifurcationGeometry
    sizes: tuple[SizeRow, ...]
    answers: tuple[TechniqueAnswer, ...]
    technique_geometry: Mapping[str, TechniqueGeometry]
    steps: Mapping[str, tuple[Step, ...]]
    remarks: tuple[Remark, ...] = field(default=())


def plan(
    reading: Reading,
    *,
    table: DeviceTable = NO_DEVICES,
    case: Case = NO_CASE,
    overrides: Overrides = NO_OVERRIDES,
    fixed: Mapping[str, str] | None = None,
    technique: str | None = None,
    origins: Origins | None = None,
) -> Worksheet:
    """Apply the sizing rules to a reading.

    Parameters
    ----------
    reading : Reading
        A measured bifurcation with a scale.
    table : DeviceTable
        The user's devices; without them targets only.
    case : Case
        What the user knows about the case.
    overrides : Overrides
        Changed thresholds and planning numbers.
    fixed : mapping or None
        Role to label of devices the user fixed.
    technique : str or None
        The technique chosen by the operator; goes before the case's.
    origins : Origins or None
        Files behind it, for the record.

    Returns
    -------
    Worksheet
        The same arguments always give the same worksheet.

    Raises
    ------
    MissingScale, InputError
        If nothing can be sized from the reading, or a fixed device does not exist.
    ValueError
        If ``technique`` is no technique.
    """
    chosen = technique or case.technique
    if chosen is not None and chosen not in TECHNIQUE_IDS:
        msg = f"technique: {chosen!r} must be one of {', '.join(TECHNIQUE_IDS)}"
        raise ValueError(msg)
    typed_sd = None if case.scale_sd_percent is None else case.scale_sd_percent / 100.0
    as_read = measured_bifurcation(reading, scale_relative_sd=typed_sd)
    assumptions = overrides.assumptions()
    measured = with_derived_references(as_read, case.derive_reference or (), assumptions.law_scatter)
    checks = law_checks(measured, assumptions.law_scatter)
    facts = Facts(
        measured=measured,
        case=case,
        rules=overrides.rules(),
        assumptions=assumptions,
        draws=draw(
            measured,
            number=int(assumptions.draws),
            seed=int(assumptions.seed),
            view_band_deg=assumptions.view_band_deg,
        ),
        contradiction=contradiction(measured, checks),
    )
    lesion = lesion_answer(facts)
    fixed = MappingProxyType(dict(fixed or {}))
    sizes, kits = size_rows(facts, table, fixed)
    attempts = [Attempt(name, facts, kits[name], lesion) for name in TECHNIQUE_IDS]
    answers = tuple(answer(attempt) for attempt in attempts)
    offered = MappingProxyType({limb: law_reference(as_read, limb, assumptions.law_scatter) for limb in as_read.limbs})
    targets = {row.need.role: row.need for row in sizes}
    return Worksheet(
        origins=origins or Origins(),
        facts=facts,
        table=table,
        overrides=overrides,
        fixed=fixed,
        technique=chosen,
        conflicts=conflicts(sizes, answers),
        law_checks=checks,
        law_references=offered,
        lesion=lesion,
        geometry=bifurcation_geometry(facts),
        sizes=sizes,
        answers=answers,
        technique_geometry=MappingProxyType(
            {result.technique.id: technique_geometry(result, facts, targets) for result in answers}
        ),
        steps=MappingProxyType({attempt.technique: steps(attempt) for attempt in attempts}),
        remarks=(*measured.remarks, *_remarks(facts, table, overrides, offered)),
    )


_NO_HEALTHY_PART = "no_healthy_part"
"""The reading's flag for a limb whose own taper understates its disease."""


def _remarks(
    facts: Facts, table: DeviceTable, overrides: Overrides, offered: Mapping[str, LawAnswer]
) -> tuple[Remark, ...]:
    """State what to know about the planning, in plain sentences."""
    measured = facts.measured
    found = []

    def say(code: str, where: str, message: str, *subjects: str, untrusted: bool = False) -> None:
        found.append(Remark(code, code.replace("_", " "), where, message, untrusted, frozenset(subjects)))

    if facts.contradiction:
        say("references_contradict_laws", "references", f"{facts.contradiction[0].upper()}{facts.contradiction[1:]}. "
            "Nothing that rests on a diameter is called more than borderline until the reading is checked.",
            *measured.limbs, untrusted=True)  # fmt: skip
    for limb in measured.limbs.values():
        if limb.derived:
            say("reference_derived", limb.name, f"The {limb.name} RVD is not measured: {limb.reference_source}. "
                "It is marked wherever it is used, and nothing that rests on it is called more than borderline.",
                limb.name, untrusted=True)  # fmt: skip
        elif any(one.code == _NO_HEALTHY_PART and limb.name in one.subjects for one in measured.remarks) and (
            not offered[limb.name].refused
        ):
            law = offered[limb.name]
            message = (
                f"The {limb.name} limb has no healthy part. From the other two limbs the {LAWS[law.law].name} law "
                f"makes its RVD {length_text(law.diameter)} instead of {length_text(limb.reference)}; "
                f'derive_reference = ["{limb.name}"] in the case file uses it.'
            )
            say("reference_offered", limb.name, message)
        elif math.isnan(limb.reference.value):
            say("reference_missing", limb.name, f"The {limb.name} limb has no reference diameter: rules that need it "
                "cannot tell.", limb.name, untrusted=True)  # fmt: skip
    if math.isnan(measured.scale_relative_sd):
        say("scale_sd_unknown", "scale", "The scale's uncertainty is not known, so no rule in millimetres can be "
            "decided: give it with the reading's scale, or as scale_sd_percent in the case file.",
            "scale", untrusted=True)  # fmt: skip
    say("single_view", "lengths and angles", "One view shows a limb shorter than it is, never longer, and can show an "
        "angle wider or narrower: lengths are lower limits, and angle rules keep a band of "
        f"±{facts.assumptions.view_band_deg:g}° in which they do not decide.", "angles")  # fmt: skip
    if not table.devices:
        say("no_devices", "devices", "No device table was given: targets only, and nothing about expansion limits.")
    else:
        say("delivered_size", "devices", "A stent ends up smaller than its chart: a published deficit of "
            "0.65 ± 0.27 mm against the balloon's chart, of which recoil 0.28 ± 0.17 mm (Aziz S et al., Heart "
            "2007;93:1562). Measure what was reached.")  # fmt: skip
    if facts.case.strategy == "two_stents":
        message = "The laboratory's dominant strategy is two stents; the consensus default is provisional stenting."
        say("strategy", "case", message)
    if overrides.thresholds or overrides.plan:
        changed = ", ".join((*overrides.thresholds, *overrides.plan))
        say("overrides", "rules", f"Changed by {overrides.name or 'the user'}: {changed}.")
    return tuple(found)
