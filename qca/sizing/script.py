"""One step of a technique, and the writing of steps: sizes in words, and the wires from step to step."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from qca.sizing.case import PHASES
from qca.sizing.devices import Device
from qca.sizing.layout import Layout, StentSpan
from qca.sizing.needs import ROLES
from qca.sizing.technique_rules import Attempt, kissing_ring

IN, JAILED, OUT, AGAIN = "in place", "jailed", "withdrawn", "rewired"


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Parameters
    ----------
    number : int
        From 1.
    action : str
        What is done.
    devices : tuple of str
        Devices with their sizes.
    wires : mapping
        ``distal`` and ``side`` to ``in place``, ``jailed``, ``withdrawn`` or ``rewired``; ``access_lost`` names the
        limbs without a usable wire after the step.
    check_before_next : str
        What must be true before going on.
    measure_after : str
        What to measure then.
    phase : str
        The phase that ends with this step, as in the case file; empty inside a phase.
    done : bool
        True when the case says that the procedure is past it.
    """

    number: int
    action: str
    devices: tuple[str, ...]
    wires: Mapping[str, object]
    check_before_next: str
    measure_after: str
    phase: str = ""
    done: bool = False


@dataclass(slots=True)
class Script:
    """Steps while they are being written; the wires and the stents that lie change from step to step."""

    attempt: Attempt
    wires: dict[str, str] = field(default_factory=lambda: {"distal": IN, "side": IN})
    written: list[Step] = field(default_factory=list)
    laid: list[str] = field(default_factory=list)

    # ---------------------------------------------------------------- writing

    def add(self, action: str, *roles: str, check: str = "", measure: str = "", phase: str = "", **wires: str) -> None:
        """Write a step; wires that change are given by limb."""
        self.wires.update(wires)
        lost = tuple(limb for limb, state in self.wires.items() if state in (JAILED, OUT))
        state = MappingProxyType({**self.wires, "access_lost": lost})
        devices = tuple(self.device(role) for role in roles)
        self.laid += [role for role in roles if ROLES[role][0] == "stent"]
        self.written.append(Step(len(self.written) + 1, action, devices, state, check, measure, phase))

    def finished(self) -> tuple[Step, ...]:
        """List the steps, those that the case says are past marked as done."""
        case = self.attempt.facts.case
        reached = PHASES.index(case.phase or "before")
        last = max((i for i, step in enumerate(self.written) if step.phase and PHASES.index(step.phase) <= reached),
                   default=-1)  # fmt: skip
        return tuple(replace(step, done=index <= last) for index, step in enumerate(self.written))

    # ---------------------------------------------------------------- words with numbers

    def device(self, role: str) -> str:
        """Write a device of a role with its size, or its target while no device is known."""
        device = self.attempt.device(role)
        name = ROLES[role][1]
        if device is not None:
            pressure = device.pressure_for(self.reference_value(self.limb_of(role)))
            at = f"; chart: {pressure:.0f} atm" if math.isfinite(pressure) else ""
            nominal, length = (
                f"{number:g}" if math.isfinite(number) else "?" for number in (device.nominal_mm, device.length_mm)
            )
            return f"{name}: {device.label} ({nominal} \N{MULTIPLICATION SIGN} {length} mm{at})"
        return f"{name}: target {self.reference(self.limb_of(role))}"

    def limb_of(self, role: str) -> str:
        """Name the limb whose reference a role is sized by."""
        if role == "side_cell_balloon":
            return self.plan.entered
        return {"main_stent": "distal", "side_stent": "side", "kissing_main_balloon": "distal",
                "kissing_side_balloon": "side"}.get(role, "proximal")  # fmt: skip

    @property
    def plan(self) -> Layout:
        """Where the stents of this technique lie."""
        return self.attempt.kit.layout

    def reference_value(self, limb: str) -> float:
        """Give a reference diameter, mm."""
        return self.attempt.facts.reference(limb).value

    def reference(self, limb: str) -> str:
        """Write a reference with its SD."""
        value = self.attempt.facts.reference(limb)
        if math.isnan(value.value):
            return "not measured"
        sd = f" ± {value.sd:.2f}" if math.isfinite(value.sd) else ""
        return f"{value.value:.2f}{sd} mm"

    def span(self, role: str) -> StentSpan:
        """Give a stent of this technique as laid with its device."""
        span = self.plan.span(role)
        assert span is not None  # noqa: S101 - a script names only the stents of its technique
        device = self.attempt.device(role)
        return span.with_length(device.length_mm) if device else span

    def imaging(self, *limbs: str) -> str:
        """Ask for intravascular imaging where a reference is too uncertain to decide by."""
        facts = self.attempt.facts
        doubtful = [
            limb
            for limb in limbs
            if not facts.reference(limb).sd <= facts.assumptions.imaging_sd_mm or facts.shaky(limb)
        ]
        if not doubtful:
            return ""
        names = " and ".join(doubtful)
        return f" The {names} RVD is uncertain here: size by intravascular imaging before relying on it."

    def expanded_proximal(self, stent: str) -> str:
        """State what the proximal part of a stent must measure before it is rewired."""
        facts = self.attempt.facts
        tolerance = facts.assumptions.optimisation_tolerance_mm
        reference = self.reference_value("proximal")
        if math.isnan(reference):
            return f"The {stent} is open to the proximal RVD, which is not measured here."
        return (
            f"The proximal part of the {stent} measures at least {reference - tolerance:.2f} mm (proximal RVD "
            f"{self.reference('proximal')}, less {tolerance:g} mm), and leaves no gap that a wire could slip into."
            f"{self.imaging('proximal')}"
        )

    def in_proximal(self) -> list[Device]:
        """List the stents of the table that lie open in the proximal main vessel by now."""
        laid = [role for role in self.laid if self.span(role).shape == "tube" and self.span(role).proximal.value > 0]
        return [device for role in laid if (device := self.attempt.device(role)) is not None]

    def beyond_limits(self, role: str) -> str:
        """Say which stents a balloon would open, at nominal size, further than their instructions for use allow."""
        balloon = self.attempt.device(role)
        beyond = [one for one in self.in_proximal() if balloon and balloon.nominal_mm > one.expansion_limit_mm]
        if balloon is None or not beyond:
            return ""
        stents = " and ".join(f"{one.label} ({one.expansion_limit_mm:g} mm)" for one in beyond)
        return f" At {balloon.nominal_mm:g} mm the balloon passes the expansion limit of {stents}."

    # ---------------------------------------------------------------- steps that several techniques share

    def wire_and_prepare(self) -> None:
        """Wire both daughters and prepare the lesions."""
        self.add(
            "Wire both daughters.",
            check="Both wires move freely and are not twisted around each other.",
            measure="Reference diameters, stenoses and angle B, on an end-diastolic frame, nitrates given.",
            distal=IN, side=IN,
        )  # fmt: skip
        self.add(
            "Prepare the lesions.",
            check=f"A balloon no larger than the RVD opens fully (distal {self.reference('distal')}, side "
            f"{self.reference('side')}); flow in both daughters.",
            measure="Both limbs again if the vessels have filled or opened: reference diameters may have grown.",
        )

    def main_stent(self, *, side_after: str, again: bool = False, through: str = "") -> None:
        """Put in the main stent across the side branch."""
        span = self.span("main_stent")
        self.add(
            f"Main stent from {mm(span.proximal.value)} proximal to {mm(span.daughter.value)} distal to the carina"
            f"{through}, at nominal size for the distal main vessel.",
            "main_stent",
            check="Proximal end as planned; flow in the side branch.",
            measure="Minimal diameter in the stent, distal edge.",
            phase="after_second_stent" if again else "after_first_stent",
            side=side_after,
        )

    def optimise(self, role: str, *, final: bool = False, away: str = "") -> None:
        """Proximal optimisation of the stent of a role; at the end of both stents."""
        balloon = "final_optimisation_balloon" if final else "optimisation_balloon"
        where = away or "its distal shoulder at the plane of the carina"
        name = ROLES[role][1]
        beyond = self.beyond_limits(balloon)
        if final:
            self.add(
                f"Final proximal optimisation: {where}, its proximal end inside the stent.",
                balloon,
                check=f"No gap at the proximal edge, daughters patent.{beyond}{self.imaging('proximal')}",
                measure="Proximal diameter in the stent, residual stenosis of the three limbs (in a stent below "
                f"{self.attempt.facts.rules['success_stent'].threshold:g} %), 5 mm beyond each stent end.",
                phase="final",
            )
            return
        reach = max(self.span(laid).proximal.value for laid in self.laid)
        device = self.attempt.device(balloon)
        end = "its proximal end inside the stent"
        if device is not None and device.length_mm > reach:
            end = (
                f"stented are only {mm(reach)} proximal to the carina, so the balloon ({device.length_mm:g} mm) stands "
                "out into bare vessel: not larger than the RVD"
            )
        self.add(
            f"Proximal optimisation of the {name}: {where}, {end}.",
            balloon,
            check=self.expanded_proximal(name) + beyond,
            measure="Proximal diameter in the stent.",
        )

    def rewire(self, limb: str, stent: str, *, layers: int = 1, cell: str = "", then: str = "") -> None:
        """Rewire a limb through struts; by default through a distal cell next to the carina."""
        jailed = self.wires[limb] == JAILED
        through = "one layer of struts" if layers == 1 else f"{layers} layers of struts"
        where = cell or "a distal cell, next to the carina"
        self.add(
            f"Rewire the {limb_name(limb)} through {through} of the {stent}, by {where}.{then}",
            check="The new wire runs inside the stent and through that cell, seen in two views or by intravascular "
            f"imaging{'; only then the jailed wire is drawn back' if jailed else ''}.",
            **{limb: AGAIN},
        )

    def open_cell(self, limb: str) -> None:
        """Open the cell towards a limb."""
        self.add(
            f"Open the cell towards the {limb_name(limb)}.",
            "side_cell_balloon",
            check=f"The balloon opens without a waist; the cell admits the {limb_name(limb)} ({self.reference(limb)}).",
        )

    def kiss(self, which: str = "Kissing") -> None:
        """Kissing; the ring around the balloons is set against the limits of the stents that lie in it."""
        ring = kissing_ring(self.attempt)
        against = ""
        if math.isfinite(ring.value):
            against = f" The ring around both measures {ring.value:.2f} mm as a circle"
            for one in self.in_proximal():
                if math.isfinite(one.expansion_limit_mm):
                    passed = "more than" if ring.value > one.expansion_limit_mm else "within"
                    against += f", {passed} the {one.expansion_limit_mm:g} mm of {one.label}"
            against += "."
        self.add(
            f"{which}: both balloons side by side, as short as possible in the proximal main vessel.",
            "kissing_main_balloon",
            "kissing_side_balloon",
            check=f"Both balloons open fully and are let down together.{against}",
            measure="Ostium of the side branch against its own RVD.",
        )


def limb_name(limb: str) -> str:
    """Name of a daughter for people."""
    return "side branch" if limb == "side" else "distal main vessel"


def mm(value: float) -> str:
    """Write a length for people."""
    return f"{value:.1f} mm" if math.isfinite(value) else "a length not measured"
