"""Seeded samples of the measured quantities, for what has no closed form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from calib.units import Mm
from qca.picks import LIMBS

if TYPE_CHECKING:
    from qca.sizing.measured import MeasuredBifurcation

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Draws:
    """N samples of one bifurcation as it may truly be. Arrays have shape (N,); NaN where a value or SD is unknown.

    The scale's error is one number per sample and moves all its lengths together. Angle B carries the view's
    rectangular error as well.
    """

    reference_mm: Mapping[str, Vector]
    ds_percent: Mapping[str, Vector]
    lesion_length_mm: Mapping[str, Vector]
    lesion_start_mm: Mapping[str, Vector]
    angle_b_deg: Vector
    seed: int

    @property
    def number(self) -> int:
        """N."""
        return len(self.angle_b_deg)


def draw(measured: MeasuredBifurcation, *, number: int, seed: int, view_band_deg: float) -> Draws:
    """Draw samples; the same arguments give the same samples.

    Parameters
    ----------
    measured : MeasuredBifurcation
        Values and SDs.
    number, seed : int
        Number of samples and seed.
    view_band_deg : float
        Half width of the view's error of angle B.
    """
    rng = np.random.default_rng(seed)
    common = rng.standard_normal(number)

    def length(value: Mm) -> Vector:
        return value.value + value.sd_random * rng.standard_normal(number) + value.sd_scale * common

    def percent(value: float, sd: float) -> Vector:
        return value + sd * rng.standard_normal(number)

    limbs = measured.limbs
    b, b_sd = measured.angles_deg["B"]
    reference: dict[str, Vector] = {name: length(limbs[name].reference) for name in LIMBS}
    ds: dict[str, Vector] = {name: percent(limbs[name].ds_percent, limbs[name].ds_sd_percent) for name in LIMBS}
    lengths: dict[str, Vector] = {name: length(limbs[name].lesion_length) for name in LIMBS}
    starts: dict[str, Vector] = {name: length(limbs[name].lesion_start) for name in LIMBS}
    angle = percent(b, b_sd) + rng.uniform(-view_band_deg, view_band_deg, number)
    return Draws(
        reference_mm=MappingProxyType(reference),
        ds_percent=MappingProxyType(ds),
        lesion_length_mm=MappingProxyType(lengths),
        lesion_start_mm=MappingProxyType(starts),
        angle_b_deg=angle,
        seed=seed,
    )


def chance(events: npt.NDArray[np.bool_], *known: Vector) -> float:
    """Share of samples in which something holds; NaN when any of the quantities behind it is unknown."""
    if any(np.isnan(quantity[0]) for quantity in known):
        return math.nan
    return float(np.mean(events))
