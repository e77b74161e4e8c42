"""Everything that is known before a technique is looked at, in one place."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calib.units import Mm
from qca.sizing.assumptions import Assumptions
from qca.sizing.case import Case
from qca.sizing.draws import Draws
from qca.sizing.measured import MeasuredBifurcation
from qca.sizing.propagation import exact
from qca.sizing.rules import Judgement, Quantity, Rule, judge

CALCIFICATION_GRADES = {"none": 0, "mild": 1, "moderate": 2, "severe": 3}
ACCESS_GRADES = {"lost": 0, "difficult": 1, "easy": 2}


@dataclass(frozen=True, slots=True)
class Facts:
    """Measurement, case, rules and planning numbers of one worksheet.

    ``contradiction`` says why the three references cannot all be right; empty when they can.
    """

    measured: MeasuredBifurcation
    case: Case
    rules: Mapping[str, Rule]
    assumptions: Assumptions
    draws: Draws
    contradiction: str

    def judge(self, rule_id: str, quantity: Quantity) -> Judgement:
        """Apply one rule of the table, holding back where the quantity must not be relied on."""
        return judge(
            self.rules[rule_id],
            quantity,
            sure=self.assumptions.sure_probability,
            band=self.assumptions.view_band_deg,
            shaky=self.shaky(*quantity.subjects),
        )

    def shaky(self, *subjects: str) -> str:
        """Say why numbers of these limbs (or ``angles``, ``scale``) must not be relied on; empty when they may."""
        if not subjects:
            return ""
        reasons = [f"{remark.where} flagged in the reading" for remark in self.measured.untrusted(*subjects)]
        limbs = self.measured.limbs
        reasons += [f"{name} RVD derived from a law" for name in subjects if name in limbs and limbs[name].derived]
        if self.contradiction and any(name in limbs for name in subjects):
            reasons.append("the reference diameters contradict the diameter laws")
        return "; ".join(dict.fromkeys(reasons))

    def reference(self, limb: str) -> Mm:
        """Give the reference diameter of a limb."""
        return self.measured.limbs[limb].reference

    def covered(self, limb: str) -> bool:
        """Tell whether a limb's narrowing is large enough to be covered by a stent."""
        return self.measured.limbs[limb].ds_percent >= self.assumptions.covered_ds_percent

    def main_lesion_length(self) -> Mm:
        """Length of the main vessel's lesion: the covered lesions of its two limbs together.

        NaN when a stenosis is unknown; 0 when neither is covered.
        """
        total = exact(0.0)
        for name in ("proximal", "distal"):
            limb = self.measured.limbs[name]
            if math.isnan(limb.ds_percent):
                return Mm(math.nan)
            if self.covered(name):
                total += limb.lesion_length
        return total
