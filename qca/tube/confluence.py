"""Where limbs leave their confluence."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]

_STEP_PX = 0.5
_FIRST_PX = 60.0
"""A mouth is looked for so far out, and all along the limb only where it is not found there."""


def mouths(limbs: Sequence[Limb]) -> list[float]:
    """Where limbs begin to be on their own.

    Parameters
    ----------
    limbs : sequence of Limb
        All limbs of the tree.

    Returns
    -------
    list of float
        For each limb the arc length, px, of its first cross-section whose two walls lie outside the other limbs; 0 for
        a single limb.
    """
    found, short = _found(limbs, _FIRST_PX)
    return _found(limbs, math.inf)[0] if short else found


def _found(limbs: Sequence[Limb], far: float) -> tuple[list[float], bool]:
    """Mouths as far as ``far`` px along the limbs, and whether one may lie beyond."""
    at = [np.arange(0.0, min(far, limb.curve.length), _STEP_PX) for limb in limbs]
    walls = [_walls(limb, s) for limb, s in zip(limbs, at, strict=True)]
    inside = [np.zeros(len(wall), dtype=bool) for wall in walls]
    for j, other in enumerate(limbs):
        rest = [i for i in range(len(limbs)) if i != j]
        if rest:
            within = other.contains(np.vstack([walls[i] for i in rest]))
            parts = np.split(within, np.cumsum([len(walls[i]) for i in rest])[:-1])
            for i, part in zip(rest, parts, strict=True):
                inside[i] |= part
    found, short = [], False
    for limb, s, mask in zip(limbs, at, inside, strict=True):
        k = np.flatnonzero(mask.reshape(2, len(s)).any(axis=0))
        last = int(k[-1]) + 1 if len(k) else 0
        short |= last >= len(s) and far < limb.curve.length
        found.append(float(s[min(last, len(s) - 2)]))
    return found, short


def _walls(limb: Limb, s: Array) -> Array:
    """Both walls at arc lengths ``s`` (M,), px: (2 M, 2), (row, column)."""
    base, normal = limb.curve.at(s)
    centre, r = base + limb.offset(s)[:, None] * normal, limb.radius(s)[:, None]
    return np.vstack([centre - r * normal, centre + r * normal])
