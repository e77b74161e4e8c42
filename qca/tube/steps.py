"""How far one step of a fit may go. Axes: Q parameters."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from qca.tube.band import Array
from qca.tube.layout import Layout

_BACK = 0.5
"""A step that takes back more than this part of the last one overshoots."""


def limited(step: Array, layout: Layout) -> Array:
    """Shorten a step (Q,) so that every group of parameters stays within what a linearisation can bear."""
    size = np.abs(step)
    limits = [(size[part], 2.0) for part in layout.r] + [(size[part], 3.0) for part in layout.e]
    limits += [(size[layout.log_k : layout.log_k + 1], 0.4), (size[layout.log_sigma : layout.log_sigma + 1], 0.3)]
    limits += [(size[layout.bend : layout.bend + 1], 0.02), (size[layout.meeting], 3.0)]
    limits += [(size[layout.wire_area], 0.4)] + [(size[part], 0.4) for part in layout.wire_f]
    return step * min(1.0, *(limit / max(float(part.max()), 1e-12) for part, limit in limits if part.size))


def undoes(step: Array, before: Array, away: Array) -> bool:
    """Whether a step goes back most of the one before, as about a kink: from half way the next one is small.

    ``away`` (Q,) is the Hessian times the one ``before``.
    """
    return float(step @ away) < -_BACK * float(before @ away)


LOG_BLURS = math.log(0.3), math.log(6.0)
"""Logarithms of the blurs that there are, px: a pixel's own width alone is 0.29."""


def bounded(theta: Array, layout: Layout, widest: Sequence[float]) -> Array:
    """Keep radii positive and under ``widest``, px, wires in the lumen, shared parameters within physics, in place."""
    for part, most in zip(layout.r, widest, strict=True):
        theta[part] = np.minimum(np.maximum(theta[part], 0.2), most)
    for part in layout.wire_f:
        theta[part] = np.minimum(np.maximum(theta[part], -1.0), 1.0)
    theta[layout.log_sigma] = min(max(float(theta[layout.log_sigma]), LOG_BLURS[0]), LOG_BLURS[1])
    theta[layout.bend] = min(max(float(theta[layout.bend]), -0.03), 0.12)
    return theta
