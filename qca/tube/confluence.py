"""Where limbs leave their confluence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from qca.tube.limb import Limb


def mouth(limbs: Sequence[Limb], i: int) -> float:
    """Where a limb begins to be on its own.

    Parameters
    ----------
    limbs : sequence of Limb
        All limbs of the tree.
    i : int
        Which one.

    Returns
    -------
    float
        Arc length, px, of its first cross-section whose two walls lie outside the other limbs.
    """
    limb = limbs[i]
    s = np.arange(0.0, limb.curve.length, 0.5)
    points, normal = limb.points(s), limb.curve.at(s)[1]
    r = limb.radius(s)[:, None]
    inside = np.zeros(len(s), dtype=bool)
    for j, other in enumerate(limbs):
        if j != i:
            for wall in (points - r * normal, points + r * normal):
                inside |= other.contains(wall)
    k = np.flatnonzero(inside)
    return float(s[min(int(k[-1]) + 1, len(s) - 2)]) if len(k) else 0.0
