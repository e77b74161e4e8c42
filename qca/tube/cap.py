"""The rounded start of a limb: a half disc around the branching point, whose place the fit finds.

Without it a limb would end in a straight cut that no vessel has, and what a wide limb's end tells of the branching
point would be lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tube.band import Array, Near
from qca.tube.curve import Curve


class Behind(NamedTuple):
    """Pixels behind the starts of limbs, N of them; what of a cap does not depend on the branching point.

    ``which`` (N,) says which of the limbs' near pixels, limb after limb; ``back`` and ``aside`` (N,) is how they lie to
    the limb's first sample, px; ``along`` and ``across`` (N, 2) are its tangent and normal there, (row, column).
    """

    which: npt.NDArray[np.int64]
    back: Array
    aside: Array
    along: Array
    across: Array

    @classmethod
    def of(cls, nears: Sequence[Near], curves: Sequence[Curve]) -> Behind:
        """Pixels behind the first samples of some limbs' base curves."""
        behind, x = (
            np.concatenate([np.zeros(0), *(getattr(near, name) for near in nears)]) for name in ("behind", "x")
        )
        which = np.flatnonzero(behind < 0)
        limb = np.repeat(np.arange(len(nears)), [len(near.x) for near in nears])[which]
        along, across = (np.array([getattr(curve, name)[0] for curve in curves]) for name in ("tangent", "normal"))
        return cls(which, behind[which], x[which], along[limb], across[limb])


class Cap(NamedTuple):
    """Pixels behind the limbs' starts, N of them.

    ``away`` (N,) is their distance from the start, px, and ``outward`` (N, 2) the direction, (row, column), in which it
    grows.
    """

    away: Array
    outward: Array


def cap_of(pixels: Behind, meeting: Array) -> Cap:
    """Caps of limbs whose start has moved.

    Parameters
    ----------
    pixels : Behind
        The pixels behind it.
    meeting : ndarray, shape (2,)
        Shift of the branching point from the curves' first sample, (row, column), px. Backwards it draws a limb on.

    Returns
    -------
    Cap
        How the pixels lie to it.
    """
    aside = pixels.aside - pixels.across @ meeting
    back = np.minimum(pixels.back - pixels.along @ meeting, 0.0)
    away = np.maximum(np.hypot(aside, back), 1e-9)
    outward = (aside / away)[:, None] * pixels.across + (back / away)[:, None] * pixels.along
    return Cap(away, outward)
