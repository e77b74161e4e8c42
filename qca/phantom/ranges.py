"""The population from which random phantoms are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ranges:
    """What `random_bifurcation` and `random_segment` draw from; (low, high), uniform unless said otherwise.

    ``photons_per_px`` and ``proximal_mm`` are drawn evenly in the logarithm. ``lesion_share``: probability that a limb
    has a lesion, ``ostial_share``: that it sits at the limb mouth. ``law_sd``: relative spread of the daughters around
    the diameter law. ``wall_ratio``: attenuation of the catheter's wall over that of the contrast medium.
    """

    photons_per_px: Range = (300.0, 2500.0)
    mm_per_px: Range = (0.14, 0.26)
    blur_mm: Range = (0.15, 0.28)
    contrast_per_mm: Range = (0.06, 0.22)
    energy_kev: Range = (55.0, 70.0)
    bits: tuple[int, ...] = (8, 12)
    mappings: tuple[Literal["linear", "log", "gamma", "sigmoid"], ...] = ("linear",)
    point_spreads: tuple[Literal["gaussian", "two_gaussians", "focal_bar"], ...] = ("gaussian",)
    proximal_mm: Range = (2.0, 4.5)
    daughter_ratio: Range = (0.6, 1.0)
    law_sd: float = 0.04
    angle_b_deg: Range = (35.0, 100.0)
    angle_c_deg: Range = (130.0, 175.0)
    limb_mm: Range = (13.0, 23.0)
    curvature_per_mm: Range = (-0.012, 0.012)
    taper_per_mm: Range = (0.0, 0.012)
    lesion_share: float = 0.6
    ostial_share: float = 0.25
    ds_percent: Range = (20.0, 80.0)
    lesion_mm: Range = (4.0, 14.0)
    eccentricity: Range = (-1.0, 1.0)
    depth_ratio: Range = (1.0, 1.0)
    french: tuple[float, ...] = (5.0, 6.0, 7.0)
    wall_ratio: Range = (0.8, 1.2)
    filling: Range = (1.0, 1.0)
    scatter_fraction: Range = (0.05, 0.3)
    glare_fraction: Range = (0.0, 0.05)
    offset_level: Range = (0.0, 0.05)
    background_level: Range = (0.5, 0.7)
    tissue_mm: Range = (2.0, 8.0)
    ribs_mm: Range = (0.0, 3.0)
    spine_share: float = 0.3
    diaphragm_share: float = 0.3
    texture_mm: Range = (0.05, 0.2)
    motion_mm: Range = (0.0, 0.0)
    pick_jitter_px: float = 1.0
    size_px: int = 512


RANGES = Ranges()
"""The population of the accuracy figures."""
