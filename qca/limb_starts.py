"""Where each limb of a fit begins: its mouth, the carina, and the first section that is its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tree.angles import angle_between
from qca.tube.confluence import mouths
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]

STEP_PX = 0.5
"""Distance between the positions of a profile, px."""
_LEAVING_PX = 25.0
"""Stretch of a limb that says in which direction it leaves."""
_NARROW_DEG = 45.0
"""Daughters at a smaller angle run side by side, and one of them may leave the proximal limb unseen."""


@dataclass(frozen=True, slots=True)
class LimbStart:
    """Where a limb begins, arc lengths in px.

    ``first`` is the first measured cross-section, ``zero`` the one from which positions count: the carina's, negative
    on the proximal limb; from ``mouth`` on its walls lie outside the other limbs. ``carina`` (2,) is the carina itself,
    (row, column) in the crop; None for a segment. ``narrow`` tells the proximal limb of a fork whose daughters run side
    by side.
    """

    first: float
    zero: float
    mouth: float
    carina: Array | None
    narrow: bool


def limb_starts(joint: JointFit) -> list[LimbStart]:
    """Where each limb of a fit begins."""
    if len(joint.limbs) == 1:
        lead = joint.limbs[0].lead
        return [LimbStart(lead, lead, 0.0, None, narrow=False)]
    begun = mouths(joint.limbs)
    carina, zeros = _carina(joint, begun)
    narrow = _apart(joint.limbs[1:], begun[1:]) < _NARROW_DEG
    starts = []
    for i, (limb, mouth, foot) in enumerate(zip(joint.limbs, begun, zeros, strict=True)):
        first = min(max(mouth, _foot(joint, limb)), limb.end - 4.0)
        # a mouth lies at the carina's foot or beyond, but for a part of a pixel by which both are told
        starts.append(LimbStart(first, min(foot, first), mouth, carina, narrow=narrow and i == 0))
    return starts


def _foot(joint: JointFit, limb: Limb) -> float:
    """Arc length, px, at which a limb passes the branching point; 0 where it begins there or further out.

    The fit moves the point from where the limbs were laid. What lies beyond it is the daughters', and between daughters
    at a narrow angle it narrows.
    """
    s = np.arange(0.0, max(limb.end, STEP_PX), STEP_PX)
    return float(s[np.argmin(np.linalg.norm(limb.points(s) - joint.branching_point, axis=1))])


def _apart(daughters: Sequence[Limb], begun: Sequence[float]) -> float:
    """Angle, degrees, between the directions in which daughters leave their confluence, at arc lengths ``begun``."""
    ways = []
    for limb, mouth in zip(daughters, begun, strict=True):
        inner, outer = limb.points(np.array([mouth, min(mouth + _LEAVING_PX, limb.curve.length)]))
        ways.append(outer - inner)
    return angle_between(ways[0], ways[1])


def _carina(joint: JointFit, begun: Sequence[float]) -> tuple[Array, tuple[float, float, float]]:
    """Find the carina, and the arc length of its cross-section on each limb, negative on the proximal one.

    It is where the daughters' facing walls leave each other's lumen, before their mouths ``begun``: further out they
    may bend apart, or towards each other again.
    """
    daughters = (1, 2)
    beyond = {d: joint.limbs[d].points(np.array([begun[d]]))[0] for d in daughters}
    tips = []
    for a, b in (daughters, daughters[::-1]):
        limb, other = joint.limbs[a], joint.limbs[b]
        s = limb.curve.position[limb.curve.position <= begun[a] + limb.curve.step]
        facing = np.sign(float((beyond[b] - beyond[a]) @ limb.curve.normal[len(s) - 1]))
        wall = limb.points(s) + (facing * limb.radius(s))[:, None] * limb.curve.normal[: len(s)]
        inside = np.flatnonzero(other.contains(wall))
        tips.append(wall[min(int(inside[-1]) + 1, len(wall) - 1) if len(inside) else 0])
    carina = (tips[0] + tips[1]) / 2
    feet = [max(float(joint.limbs[d].curve.locate(carina[None])[0][0]), 0.0) for d in daughters]
    return carina, (-feet[0], feet[0], feet[1])
