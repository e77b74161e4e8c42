"""How sharply a centreline turns.

A path that goes over to a crossing vessel and back turns about a corner. Vessels bend more gently: of 1,300 limbs of
drawn frames (two renderers) none that was right turned by 45 degrees within two diameters without another warning.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


class Turn(NamedTuple):
    """The sharpest turn of a centreline.

    Parameters
    ----------
    angle : float
        Between the chords before and behind it, rad; 0 where the centreline is too short to tell.
    position : float
        Where it lies, px along the centreline; NaN where there is none.
    """

    angle: float
    position: float


def sharpest_turn(position: Array, points: Array, reach: float) -> Turn:
    """Find where a centreline turns most sharply.

    Chords span its noise: a corner turns by its own angle, an arc of radius R by ``reach / R``.

    Parameters
    ----------
    position : ndarray, shape (N,)
        Arc length, px, increasing.
    points : ndarray, shape (N, 2)
        The centreline there, px.
    reach : float
        Length of the chords on either side, px, positive.

    Returns
    -------
    Turn
        Only places with a whole chord on either side are looked at.
    """
    middle = position[(position >= position[0] + reach) & (position <= position[-1] - reach)]
    if not middle.size:
        return Turn(0.0, float("nan"))

    def at(s: Array) -> Array:
        return np.column_stack([np.interp(s, position, points[:, k]) for k in (0, 1)])

    before, after = at(middle) - at(middle - reach), at(middle + reach) - at(middle)
    across = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angle = np.abs(np.arctan2(across, (before * after).sum(1)))
    k = int(angle.argmax())
    return Turn(float(angle[k]), float(middle[k]))
