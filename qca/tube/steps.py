"""How far one step of a fit may go. Axes: Q parameters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from qca.tube.band import Array
from qca.tube.layout import Layout

_BACK = 0.5
"""A step that takes back more than this part of the last one overshoots."""


def limited(step: Array, layout: Layout) -> Array:
    """Shorten a step (Q,) so that every group of parameters stays within what a linearisation can bear."""
    limits = [(step[part], 2.0) for part in layout.r] + [(step[part], 3.0) for part in layout.e]
    limits += [(step[layout.log_k : layout.log_k + 1], 0.4), (step[layout.log_sigma : layout.log_sigma + 1], 0.3)]
    limits += [(step[layout.bend : layout.bend + 1], 0.02), (step[layout.meeting], 3.0)]
    limits += [(step[layout.wire_area], 0.4)] + [(step[part], 0.4) for part in layout.wire_f]
    return step * min(1.0, *(limit / max(float(np.abs(part).max(initial=0.0)), 1e-12) for part, limit in limits))


def undoes(step: Array, before: Array, away: Array) -> bool:
    """Whether a step goes back most of the one before, as about a kink: from half way the next one is small.

    ``away`` (Q,) is the Hessian times the one ``before``.
    """
    return float(step @ away) < -_BACK * float(before @ away)


def bounded(theta: Array, layout: Layout, widest: Sequence[float]) -> Array:
    """Keep radii positive and under ``widest``, px, wires in the lumen, shared parameters within physics, in place."""
    for part, most in zip(layout.r, widest, strict=True):
        theta[part] = np.clip(theta[part], 0.2, most)
    for part in layout.wire_f:
        theta[part] = np.clip(theta[part], -1.0, 1.0)
    theta[layout.log_sigma] = np.clip(theta[layout.log_sigma], np.log(0.3), np.log(6.0))
    theta[layout.bend] = np.clip(theta[layout.bend], -0.03, 0.12)
    return theta
