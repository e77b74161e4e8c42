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
    walls = np.vstack([points - r * normal, points + r * normal])
    inside = np.any([other.contains(walls) for j, other in enumerate(limbs) if j != i], axis=0)
    k = np.flatnonzero(inside.reshape(2, len(s)).any(axis=0))
    return float(s[min(int(k[-1]) + 1, len(s) - 2)]) if len(k) else 0.0
