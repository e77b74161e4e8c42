"""The rounded start of a limb: a half disc around the branching point, whose place the fit finds.

Without it a limb would end in a straight cut that no vessel has, and what a wide limb's end tells of the branching
point would be lost.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tube.band import Array, Near
from qca.tube.curve import Curve


class Cap(NamedTuple):
    """Pixels behind a limb's start, N of them.

    ``which`` (N,) says which of the limb's near pixels; ``away`` (N,) is their distance from the start, px, and
    ``outward`` (N, 2) the direction, (row, column), in which it grows.
    """

    which: npt.NDArray[np.int64]
    away: Array
    outward: Array


def cap_of(near: Near, curve: Curve, meeting: Array) -> Cap:
    """Cap of a limb whose start has moved.

    Parameters
    ----------
    near : Near
        The limb's pixels.
    curve : Curve
        Its base curve.
    meeting : ndarray, shape (2,)
        Shift of the branching point from the curve's first sample, (row, column), px. Backwards it draws the limb on.

    Returns
    -------
    Cap
        Pixels that lie behind the first sample.
    """
    which = np.flatnonzero(near.behind < 0)
    along, across = curve.tangent[0], curve.normal[0]
    aside = near.x[which] - float(meeting @ across)
    behind = np.minimum(near.behind[which] - float(meeting @ along), 0.0)
    away = np.maximum(np.hypot(aside, behind), 1e-9)
    outward = (aside / away)[:, None] * across + (behind / away)[:, None] * along
    return Cap(which, away, outward)
