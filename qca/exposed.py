"""Where the beam reached the detector: what lies in a collimator's shadow or a black border, told from the picture.

A header often does not say where the blades stood. Their shadow is as dark as nothing else in the frame, even, joined
to the frame's edge, and what it leaves is a rectangle, a polygon or a disc: convex. All four are asked for, because a
diaphragm is dark as well. The shadow's blurred edge, left in, is taken for a wall of the vessels beside it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_SMALL_PX = 128
"""The frame is looked at with about so many pixels a side: the mean of many is nearly without noise."""
_DARK = 0.25
"""A shadow's level is at most this part of the middle level of the rest; a diaphragm passes 0.3 to 0.5 of the beam."""
_CUTS = (0.5, 0.25)
"""Where between both levels the shadow ends: the second where the first runs into what is dark for itself."""
_GAP = 0.15
"""Least step from the brightest of the shadow to the darkest of the rest, as a part of that between their middles."""
_EVEN, _SMOOTH = 0.3, 0.03
"""Largest spread of the levels in a shadow, and largest difference to those around in it, as parts of the step to the
rest: scattered light falls off, but no vessel and no rib is seen."""
_AROUND = 9
"""Side of the square, small pixels, whose mean is what lies around."""
_LEAST = 0.005
"""Smallest shadow, as a part of the frame."""
_CONVEX = 0.97
"""Least part of its convex hull that what is left fills."""
_EDGE = 2
"""How far, in small pixels, the levels of a shadow are read from its edge."""
_REACH_PX = 24
"""How far from the shadow its blurred edge is looked for."""
_SETTLED = 0.01
"""The edge ends where the mean level rises by less than this part of the step per pixel."""


def exposed_part(frame: Frame) -> Frame:
    """Give the frame without what lies in a shadow at its edges: those pixels are no longer ``valid``.

    Returns
    -------
    Frame
        The very same where no shadow is seen, or where the file says already what is valid.
    """
    if not frame.valid.all():
        return frame
    low, high = frame.grey_range
    turned = frame.dark_vessels is False
    shadow = _shadow(high - frame.pixels if turned else frame.pixels, 0.0 if turned else low)
    if shadow is None:
        return frame
    valid = ~shadow
    valid.setflags(write=False)
    return replace(frame, valid=valid)


def _shadow(level: Array, none: float) -> Mask | None:
    """Pixels in a shadow and its blurred edge, shape (rows, columns); ``none`` is the level without any light."""
    import cv2

    step = max(1, round(max(level.shape) / _SMALL_PX))
    size = max(1, level.shape[1] // step), max(1, level.shape[0] // step)
    reduced = cv2.blur(cv2.resize(level, size, interpolation=cv2.INTER_AREA), (3, 3))
    small = np.asarray(reduced, dtype=np.float64) - min(none, float(reduced.min()))
    rim = np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]])
    dark, middle = float(np.quantile(rim, 0.005)), float(np.median(small))
    if dark > _DARK * middle:
        # also where more than half lies in the shadow
        middle = float(np.quantile(small, 0.9))
        if dark > _DARK * middle:
            return None
    for cut in _CUTS:
        shade, inside = _dark_rim(small, dark + cut * (middle - dark))
        if _is_shadow(small, shade, inside):
            break
    else:
        return None
    full = cv2.resize(inside.astype(np.uint8), level.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return _with_edge(level, full.astype(bool))


def _is_shadow(small: Array, shade: Mask, inside: Mask) -> bool:
    """Whether ``shade``, all of ``inside`` but letters, looks like a blade's shadow and the rest like a lit field."""
    import cv2

    square = np.ones((2 * _EDGE + 1,) * 2, np.uint8)
    core = cv2.erode(shade.astype(np.uint8), square, borderValue=1).astype(bool)
    left = cv2.dilate(inside.astype(np.uint8), square) == 0
    if inside.mean() < _LEAST or not core.any() or not left.any() or not _convex(~inside):
        return False
    low, middle, high = (float(q) for q in np.quantile(small[core], [0.005, 0.5, 0.995]))
    least, rest = (float(q) for q in np.quantile(small[left], [0.001, 0.5]))
    step = rest - middle
    if middle > _DARK * rest or least - high < _GAP * step or high - low > _EVEN * step:
        return False
    return float(np.quantile(np.abs(_unlike_around(small, core)), 0.995)) <= _SMOOTH * step


def _dark_rim(small: Array, cut: float) -> tuple[Mask, Mask]:
    """Find what is darker than ``cut`` and joined to the edge, without and with what it surrounds."""
    import cv2

    count, labels = cv2.connectedComponents((small < cut).astype(np.uint8), connectivity=4)
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    dark = np.isin(labels, rim[rim > 0])
    # the second: letters in the shadow, and all else that is not the one lit field
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~dark).astype(np.uint8), connectivity=4)
    if count < 2:
        return dark, dark
    return dark, np.asarray(labels != 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _unlike_around(small: Array, core: Mask) -> Array:
    """By how much each pixel of ``core`` differs from the mean of those around it that belong there, too."""
    import cv2

    part = core.astype(np.float64)
    side = (_AROUND, _AROUND)
    around = cv2.blur(small * part, side) / np.maximum(cv2.blur(part, side), 1e-9)
    return np.asarray((small - around)[core])


def _convex(field: Mask) -> bool:
    import cv2

    points = cv2.findNonZero(field.astype(np.uint8))
    hull = np.zeros(field.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
    return float(field.sum()) >= _CONVEX * float(hull.sum())


def _with_edge(level: Array, inside: Mask) -> Mask:
    """Add the blurred edge of a shadow: as far as the mean level still rises."""
    import cv2

    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
    ring = np.minimum(away.astype(np.int64), _REACH_PX)
    count = np.maximum(np.bincount(ring.ravel(), minlength=_REACH_PX + 1), 1)
    mean = np.bincount(ring.ravel(), weights=level.ravel(), minlength=_REACH_PX + 1) / count
    rise = (mean[3:_REACH_PX] - mean[1 : _REACH_PX - 2]) / (2 * (mean[_REACH_PX - 1] - mean[0]))
    settled = np.flatnonzero(rise < _SETTLED)
    reach = int(settled[0]) + 2 if len(settled) else _REACH_PX
    return np.asarray(away < reach)
