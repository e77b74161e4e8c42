"""A lumen that is a thread: a long tight lesion whose shade a first look takes for that of the background.

Where next to nothing of a limb is seen, the widest template matches the background best, and a fit that starts so wide
stays there: it makes a broad, faint cloud of the lesion. So along such stretches the narrowest dark line is looked for,
by the cheapest way along it (Bellman R, Dynamic programming, 1957), to start another fit from.

Axes: N points along a curve, M shifts.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.trace import cross_profiles
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FAINT = 0.25
"""A limb is faint where a first template has less than this part of the limb's usual contrast."""
_LEAST_LONG = 12
"""Points about a pixel apart that a faint stretch has at least, for shorter ones a fit crosses by itself, and that
follow it: where a limb fades away at its end, contrast has not come through."""
_BESIDE = 8
"""Pixels on either side that tell a line's background."""
_FARTHEST = 12
"""Shifts, px, up to which a line may run beside the rough curve."""
_WIDER = 2.0
"""Times as wide as a thread, where it has at least a px of radius, a fit has missed it."""
_CHOSEN, _FAR = 10.0, 4.0
"""Gain in log likelihood from which another fit is likelier, and SDs from which on a residual counts no more."""
_HALF_WIDTH = 2.0
"""Half-width of the line's template, px: the narrowest that a blur leaves."""


class Thread(NamedTuple):
    """A limb's first curve led along a thread: ``points`` (N, 2), ``radius`` (N,), px, ``faint`` (N,) where it runs."""

    points: Array
    radius: Array
    faint: Mask


def thread_along(
    image: Array, points: Array, normal: Array, radius: Array, contrast: Array, reach_px: float
) -> Thread | None:
    """Look for a thread along a rough curve.

    Parameters
    ----------
    image, points, normal, reach_px
        As in `first_radius`.
    radius, contrast : ndarray, shape (N,)
        As `first_look` gives them.

    Returns
    -------
    Thread or None
        None where the limb is nowhere faint.
    """
    usual = float(np.median(contrast))
    faint = _long(contrast < _FAINT * usual)
    if not faint.any() or faint.all() or usual <= 0:
        return None
    rows = cross_profiles(image, points, normal, reach_px)
    shift = np.zeros(len(points))
    # beside the stretch the widest templates still reach over
    narrow = np.minimum(radius, np.median(radius[~faint]))
    for first, last in _runs(faint):
        line = _line(rows[first:last])
        way = _cheapest(-line)
        shift[first:last] = way - line.shape[1] // 2
        dark = float(np.mean(line[np.arange(last - first), way]))
        narrow[first:last] = _HALF_WIDTH * np.sqrt(max(dark, 0.0) / usual)
    return Thread(points + shift[:, None] * normal, narrow, faint)


def _long(mask: Mask) -> Mask:
    """Keep the runs of a mask (N,) that are long and do not reach the outer end."""
    out = np.zeros_like(mask)
    for first, last in _runs(mask):
        out[first:last] = last - first >= _LEAST_LONG and len(mask) - last >= _LEAST_LONG
    return out


def _runs(mask: Mask) -> list[tuple[int, int]]:
    """First and one past the last of each run of a mask (N,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _line(rows: Array) -> Array:
    """Contrast per px of a narrow dark line at every shift, (N, M), in cross profiles ``rows``."""
    x = np.arange(-_BESIDE, _BESIDE + 1.0)
    chord = np.sqrt(np.maximum(_HALF_WIDTH**2 - x**2, 0))
    design = np.column_stack([np.ones_like(x), x, np.convolve(chord, [0.25, 0.5, 0.25], "same")])
    weights = np.linalg.pinv(design)[2]
    middle = rows.shape[1] // 2
    shifts = np.arange(middle - _FARTHEST, middle + _FARTHEST + 1)
    windows = np.stack([rows[:, at - _BESIDE : at + _BESIDE + 1] for at in shifts], axis=1)
    return np.asarray(-(windows @ weights))


def _cheapest(cost: Array) -> npt.NDArray[np.int64]:
    """Column in each row of the way through ``cost`` (N, M) that moves by one at most from row to row."""
    total, came = cost[0].copy(), np.zeros(cost.shape, dtype=np.int64)
    columns = np.arange(cost.shape[1])
    for i in range(1, len(cost)):
        before = np.pad(total, 1, constant_values=np.inf)
        steps = np.stack([before[:-2], before[1:-1], before[2:]])
        best = steps.argmin(0)
        came[i] = columns + best - 1
        total = cost[i] + steps[best, columns]
    way = np.empty(len(cost), dtype=np.int64)
    way[-1] = int(total.argmin())
    for i in range(len(cost) - 1, 0, -1):
        way[i - 1] = came[i, way[i]]
    return way


def missed(thread: Thread, limb: Limb) -> bool:
    """Whether a fitted limb is much wider along a thread than that is."""
    s = limb.curve.position
    course, radius = limb.points(s), limb.radius(s)
    at = [int(np.argmin(((course - point) ** 2).sum(1))) for point in thread.points[thread.faint]]
    return float(np.median(radius[at] / np.maximum(thread.radius[thread.faint], 1.0))) > _WIDER


def likelier(fit: JointFit, than: JointFit) -> bool:
    """Whether the pixels that two fits share speak for the one; both are held against the noise of the other."""
    mine, theirs = ({tuple(p): k for k, p in enumerate(one.pixels.tolist())} for one in (fit, than))
    both = np.array([(mine[p], theirs[p]) for p in mine if p in theirs])
    sd = np.sqrt(than.variance[both[:, 1]])
    losses = [
        np.minimum(((one.level - one.model)[at] / sd) ** 2, _FAR**2).sum() / 2
        for one, at in ((fit, both[:, 0]), (than, both[:, 1]))
    ]
    return bool(losses[0] < losses[1] - _CHOSEN)
