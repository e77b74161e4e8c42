"""Where limbs leave their confluence."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]

_STRIDE_PX, _STEP_PX = 4.0, 0.5
"""A limb is walked in strides, then in steps from the last place that was still inside."""


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
    last = limbs[i].curve.length
    rough = _last_inside(limbs, i, np.arange(0.0, last, _STRIDE_PX))
    if rough is None:
        return 0.0
    s = np.arange(rough, min(rough + _STRIDE_PX, last), _STEP_PX)
    inside = _last_inside(limbs, i, s)
    assert inside is not None  # noqa: S101 - the first one is inside
    return min(inside + _STEP_PX, _STEP_PX * (math.ceil(last / _STEP_PX) - 2))


def _last_inside(limbs: Sequence[Limb], i: int, s: Array) -> float | None:
    """Last of the arc lengths ``s``, px, where a wall of limb ``i`` lies inside another limb; None if there is none."""
    limb = limbs[i]
    base, normal = limb.curve.at(s)
    points, r = base + limb.offset(s)[:, None] * normal, limb.radius(s)[:, None]
    walls = np.vstack([points - r * normal, points + r * normal])
    inside = np.any([other.contains(walls) for j, other in enumerate(limbs) if j != i], axis=0)
    k = np.flatnonzero(inside.reshape(2, len(s)).any(axis=0))
    return float(s[k[-1]]) if len(k) else None
