"""Ringing: what a smooth curve makes of the abrupt ends of a narrowing.

A curve that follows a step as closely as its knots and the noise let it swings past it on either side by about a tenth
of its height (the Gibbs phenomenon; Gibbs JW, Nature 1899;59:606, from memory), and the minimum of a narrowing with
abrupt ends, as drilled phantoms have, would be looked up in such a swing: up to 0.3 mm too small, however low the
noise. How a step comes out of the fit is known: as the spline nearest to it, seen through the blur along the vessel,
less what smoothness takes from it. So the steep flanks of a profile are compared with ramps of some lengths, and where
one is as good as a step and no gentle ramp, the step's swings are taken off.

Axes: N positions along a limb, evenly spaced.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_ACROSS_PX = 5.0
"""About as long as an abrupt flank comes out of the fit, px: its rise is looked for over this, the next one beyond."""
_STEEP, _SURE = 0.12, 4.0
"""That rise at least, as a part of the usual diameter and in SDs of a diameter."""
_MOST = 8
"""Flanks at most, the steepest."""
_ABRUPT_PX, _GENTLE_PX = (0.0, 2.0), (6.0, 8.0, 11.0)
"""Lengths of ramps that are steps, and of those that are not."""
_SHIFTS_PX = np.arange(-1.5, 1.51, 0.25)
"""Where their middles are tried, from the steepest place, px."""
_WINDOW_PX, _LEAST_WINDOW_PX = 9.0, 7.5
"""How far from its middle a flank is compared, half way to the next one at most, and at least: a floor of 15 px shows
that it is one."""
_FITS, _TELLS = 0.05, 0.25
"""A flank is a step where what is left over (root mean square) is under this part of the step's height, and under this
part of the mean square that is left over from a gentle ramp. With 0.03 for the first and 0.3 for the second half of
the steps are missed; with 0.05 and 0.5 steep lesions of a few mm pass for steps."""
_REACH_PX, _LARGEST = 12.0, 0.2
"""Swings further away are left alone, and those larger than this part of the step are told no better."""
_ROUNDS = 2
"""Times that flanks are compared, each with the others' swings taken off."""


def ringing(position: Array, diameter: Array, flanks: Sequence[float], response: Array) -> Array:
    """Tell what swings beside abrupt flanks add to a profile.

    Parameters
    ----------
    position : ndarray, shape (N,)
        Along the limb, px.
    diameter : ndarray, shape (N,)
        Diameters as they come out of the fit, px.
    flanks : sequence of float
        Middles of the steep ones, px (`steep_flanks`).
    response : ndarray, shape (N, N)
        What comes out of the fit for a true profile, as a matrix to multiply it by.

    Returns
    -------
    ndarray, shape (N,)
        To be taken off the diameters, px; zero where there is no abrupt flank.
    """
    swings = np.zeros((len(flanks), len(position)))
    for _ in range(_ROUNDS if len(flanks) > 1 else 1):
        for k, middle in enumerate(flanks):
            near = min((abs(middle - other) for other in flanks if other != middle), default=np.inf)
            reach = min(_WINDOW_PX, near / 2)
            swings[k] = 0.0
            if reach >= _LEAST_WINDOW_PX:
                swings[k] = _swing(position - middle, diameter - swings.sum(0), response, reach)
    return np.asarray(swings.sum(0))


def steep_flanks(position: Array, diameter: Array, sd: Array) -> list[float]:
    """Find the steep flanks of a profile.

    Parameters
    ----------
    position : ndarray, shape (N,)
        Along the limb, px.
    diameter, sd : ndarray, shape (N,)
        Diameters as they come out of the fit, and their SDs, px.

    Returns
    -------
    list of float
        Their middles, px, a few at most.
    """
    half = _ACROSS_PX / 2
    rise = np.abs(np.interp(position + half, position, diameter) - np.interp(position - half, position, diameter))
    inner, before, after = rise[1:-1], rise[:-2], rise[2:]
    least = np.maximum(_STEEP * np.median(diameter), _SURE * sd)[1:-1]
    top = 1 + np.flatnonzero((inner > before) & (inner >= after) & (inner > least))
    found: list[float] = []
    for k in top[np.argsort(-rise[top])]:
        if len(found) < _MOST and all(abs(position[k] - other) > _ACROSS_PX for other in found):
            found.append(float(position[k]))
    return sorted(found)


def _swing(away: Array, diameter: Array, response: Array, reach: float) -> Array:
    """Swings (N,), px, of the step that a flank comes out like, by the distance from its middle; zero if it is none."""
    window = np.abs(away) <= reach
    left, height, swing = _likeliest(away, diameter, response, window, _ABRUPT_PX)
    if left > (_FITS * height) ** 2:
        return np.zeros_like(away)
    gentle, _, _ = _likeliest(away, diameter, response, window, _GENTLE_PX)
    return swing if left < _TELLS * gentle else np.zeros_like(away)


def _likeliest(
    away: Array, diameter: Array, response: Array, window: npt.NDArray[np.bool_], lengths: tuple[float, ...]
) -> tuple[float, float, Array]:
    """Mean square left over, height, px, and swings (N,) of the likeliest ramp of some ``lengths``."""
    tried = [(length, shift) for length in lengths for shift in _SHIFTS_PX]
    ramps = np.array([np.clip((away - shift) / max(length, 1e-9) + 0.5, 0.0, 1.0) for length, shift in tried])
    seen = ramps @ response.T
    told = diameter[window] - diameter[window].mean()
    against = seen[:, window] - seen[:, window].mean(1, keepdims=True)
    height = against @ told / np.einsum("ij,ij->i", against, against)
    left = np.mean((told - height[:, None] * against) ** 2, axis=1)
    k = int(left.argmin())
    return float(left[k]), float(height[k]), height[k] * _beside(away - tried[k][1], seen[k] - ramps[k])


def _beside(away: Array, beyond: Array) -> Array:
    """Swings on both sides of a step of height 1, by what comes out ``beyond`` it: from where it is first passed on."""
    swing = np.zeros_like(beyond)
    for side in (away > 0, away < 0):
        index = np.flatnonzero(side)
        outwards = index[np.argsort(np.abs(away[index]))]
        past = np.flatnonzero(beyond[outwards] * np.sign(away[outwards]) > 0)
        if past.size:
            swing[outwards[past[0] :]] = beyond[outwards[past[0] :]]
    swing[np.abs(away) > _REACH_PX] = 0.0
    return np.clip(swing, -_LARGEST, _LARGEST)
