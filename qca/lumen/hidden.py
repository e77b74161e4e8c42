"""What a narrowing that may hide elsewhere on a limb does to the SDs of its MLD and stenosis.

A smoothed curve says how far noise moves it, not what it has smoothed away. For narrowings that the pixels ask for and
the belief in smoothness forbids, the odds follow from Bayes' rule: beforehand each place is as likely to be narrowed,
and every amplitude up to closing the lumen as likely. The MLD is then smaller by that narrowing with its probability,
and stays what it is with the rest.

Axes: N positions, K narrowings.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from qca.lumen.stenosis import Stenosis

Array = npt.NDArray[np.float64]

_PRIOR = 0.3
"""Probability, beforehand, that a limb has a narrowing that the fit has not taken; own choice."""
_ASKED = 2.0
"""SDs from which pixels ask for a narrowing; fewer say nothing of it, and of what cannot be seen nothing is said."""
_HEALTHY = 0.85
"""Part of the reference from which a place counts as not narrowed: what is found narrowed has its own SD."""


def with_hidden(
    stenosis: Stenosis,
    diameter: Array,
    reference: Array,
    middle: npt.NDArray[np.int64],
    shapes: Array,
    fall: Array,
    sd: Array,
) -> Stenosis:
    """Add to the SDs what may hide.

    Parameters
    ----------
    stenosis : Stenosis
        What was found, px.
    diameter, reference : ndarray, shape (N,)
        Diameters and healthy diameters along the limb, px.
    middle : ndarray of int, shape (K,)
        Where each narrowing has its middle, as an index of the profile.
    shapes : ndarray, shape (N, K)
        Narrowings along the limb, 1 in the middle.
    fall, sd : ndarray, shape (K,)
        By how much the pixels would have the diameter smaller there, and its SD, px.

    Returns
    -------
    Stenosis
        The same with larger SDs of MLD and stenosis, or itself where nothing is asked for.
    """
    asked = fall / sd
    counts = (asked > _ASKED) & (diameter[middle] > _HEALTHY * reference[middle])
    if not counts.any():
        return stenosis
    # the likelihood over every amplitude, against none
    likely = math.sqrt(2 * math.pi) * sd / reference[middle] * np.exp(0.5 * np.clip(asked, 0.0, 6.0) ** 2)
    odds = _PRIOR / (1 - _PRIOR) / len(fall) * likely
    odds = np.where(counts, odds, 0.0)
    probability = odds / (1 + odds.sum())
    lower = np.clip(stenosis.mld - (diameter[:, None] - shapes * fall).min(axis=0), 0.0, stenosis.mld)
    # how deep it would be is not known either
    second = lower**2 + np.minimum(sd, lower) ** 2
    variance = float(probability @ second - (probability @ lower) ** 2)
    part = variance * (100 / stenosis.reference) ** 2
    ds_sd = math.sqrt(stenosis.ds_sd_percent**2 + part)
    return replace(
        stenosis,
        mld_sd=math.sqrt(stenosis.mld_sd**2 + variance),
        ds_sd_percent=ds_sd,
        area_sd_percent=2 * (1 - stenosis.ds_percent / 100) * ds_sd,
    )
