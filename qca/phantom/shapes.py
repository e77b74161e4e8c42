"""Shapes of a phantom: paths, lumens with their lesions, further vessels, the catheter and its wires.

Lengths are millimetres in the vessel's plane, with the origin at the centre of pixel (0, 0), x along the columns, y
down the rows. Directions are degrees, 0 along +x, 90 along +y (down). Arc lengths along a limb count from the
branching point outwards (from the start of a segment).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
LimbName = Literal["proximal", "distal", "side", "segment"]


@dataclass(frozen=True, slots=True)
class Path:
    """A plane curve given by its direction as a function of arc length s.

    direction(s) = direction_deg + curvature s + wave (sin(2 pi s / wave_length + phase) - sin(phase))
    + bend (tanh((s - bend_at) / bend_width) + 1) / 2. Without wave and bend it is a circular arc, without curvature a
    straight line.
    """

    direction_deg: float
    length_mm: float
    curvature_per_mm: float = 0.0
    wave_deg: float = 0.0
    wave_length_mm: float = 40.0
    wave_phase_deg: float = 0.0
    bend_deg: float = 0.0
    bend_at_mm: float = 0.0
    bend_width_mm: float = 3.0


@dataclass(frozen=True, slots=True)
class Lesion:
    """A narrowing of one limb.

    ``centre_mm`` is an arc length, ``length_mm`` the whole length over which the lumen is narrowed. Shapes: cosine
    (raised cosine), plateau (flat middle half between cosine flanks), skewed (its narrowest point one quarter of the
    length before the middle). ``eccentricity`` -1 to 1 shifts the lumen until the right or left wall stays straight.
    """

    centre_mm: float
    length_mm: float
    ds_percent: float
    shape: Literal["cosine", "plateau", "skewed"] = "cosine"
    eccentricity: float = 0.0


@dataclass(frozen=True, slots=True)
class Limb:
    """One limb: a tube along a path.

    ``diameter_mm`` is the lesion-free diameter at arc length 0 and ``taper_mm_per_mm`` its change per mm outwards. A
    smooth step of ``step_mm`` at arc length ``step_from_mm`` that is gone at ``step_to_mm`` joins the limbs inside the
    confluence and does not count as reference. Over the last ``run_off_mm`` the vessel thins to a thread.
    ``depth_ratio`` is the lumen's size along the beam divided by its width in the image. ``pick_mm`` is where the
    limb's pick lies; ``first_pick_mm`` is the start pick of a segment.
    """

    name: LimbName
    path: Path
    diameter_mm: float
    taper_mm_per_mm: float = 0.0
    step_mm: float = 0.0
    step_from_mm: float = 0.0
    step_to_mm: float = 0.0
    run_off_mm: float = 0.0
    depth_ratio: float = 1.0
    lesions: tuple[Lesion, ...] = ()
    pick_mm: float = 20.0
    first_pick_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Vessel:
    """A further contrast-filled vessel: ``attached`` ones join the lumen, others cross at another depth.

    ``upstream_mm`` is how far contrast travels from the start of the proximal limb until it enters this vessel.
    """

    start_mm: Point
    path: Path
    diameter_mm: float
    end_diameter_mm: float
    attached: bool = False
    upstream_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Catheter:
    """A catheter shaft: polymer wall around a lumen that holds ``filling`` (0 to 1) of the contrast density.

    The tip of an ``engaged`` one lies inside the vessel and takes the place of its contrast.
    """

    start_mm: Point
    path: Path
    french: float
    diameter_mm: float
    inner_diameter_mm: float
    wall_per_mm: float
    filling: float = 1.0
    engaged: bool = False
    pick_mm: tuple[float, float] = (2.0, 22.0)


@dataclass(frozen=True, slots=True)
class GuideWire:
    """A wire inside a limb, or through the proximal limb into another one, at ``offset`` (-1 to 1) of the free play."""

    through: tuple[LimbName, ...] = ("proximal", "distal")
    diameter_mm: float = 0.36
    metal_per_mm: float = 0.9
    offset: float = 0.4
