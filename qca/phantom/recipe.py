"""Everything that makes one phantom frame: geometry, X-rays, optics, background, grey values, seed.

Vessels, catheter and wires are shapes (:mod:`qca.phantom.shapes`), in whose coordinates and units everything is given.
What else the beam meets, how the picture is taken and what a recipe's numbers can be stand here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Literal

from qca.phantom.shapes import Catheter, GuideWire, Limb, Point, Vessel

_LARGEST_FRAME = 4096
_LONGEST_MM = 1000.0


@dataclass(frozen=True, slots=True)
class Background:
    """What lies before and behind the vessels, in mm of water; drawn from the recipe's seed.

    Amplitudes: ``tissue_mm`` slow gradients, ``ribs_mm`` and ``spine_mm`` bone as water equivalent, ``diaphragm_mm``
    the step across the dome, ``texture_mm`` fine structure with the length scale ``texture_size_mm``.
    ``diaphragm_through_mm`` puts the dome's edge through a point instead of a random place.
    """

    thickness_mm: float = 200.0
    tissue_mm: float = 8.0
    ribs_mm: float = 3.0
    spine_mm: float = 0.0
    diaphragm_mm: float = 0.0
    diaphragm_through_mm: Point | None = None
    texture_mm: float = 0.15
    texture_size_mm: float = 2.5


@dataclass(frozen=True, slots=True)
class Collimator:
    """A blade that keeps the beam off one side of the frame.

    Its edge runs through ``point_mm``; ``direction_deg`` points into its shadow. ``penumbra_mm`` is the SD of the
    edge's blur beyond that of the optics, for a blade is nearer to the tube than the patient; ``leak`` is the part of
    the beam that comes through.
    """

    point_mm: Point
    direction_deg: float
    penumbra_mm: float = 0.4
    leak: float = 0.005


@dataclass(frozen=True, slots=True)
class Optics:
    """Blur and stray light.

    ``blur_mm`` is the standard deviation of focal spot and detector together, per axis, without the pixel's own
    aperture, which is added. Point spread functions: gaussian; two_gaussians (15 % in a tail 2.2 times as wide);
    focal_bar (a uniform focal spot before a Gaussian detector); all have this standard deviation.
    ``after_detection`` is the part of its variance that arises after the quanta were counted, as light spreading in
    the scintillator does; it blurs the noise too, so that neighbouring pixels share it.
    ``scatter_fraction`` and ``glare_fraction`` are shares of the detected signal spread by ``scatter_mm`` and
    ``glare_mm``. The vessels move by ``motion_mm`` towards ``motion_deg`` during the exposure.
    """

    blur_mm: float = 0.2
    point_spread: Literal["gaussian", "two_gaussians", "focal_bar"] = "gaussian"
    after_detection: float = 0.0
    scatter_fraction: float = 0.15
    scatter_mm: float = 25.0
    glare_fraction: float = 0.03
    glare_mm: float = 4.0
    motion_mm: float = 0.0
    motion_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Grey:
    """How detected quanta become stored grey values.

    ``background_level`` is the grey value of the frame's median background and ``offset_level`` that of no light
    (linear, gamma), both as parts of full scale. ``log_span``: grey levels, as part of full scale, per factor e.
    A sigmoid (DICOM PS3.3 C.11.2.1.3.1) has its middle and width in intensities of the median background instead.
    Edge enhancement adds ``edge_amount`` times the difference from the mean over ``edge_px`` x ``edge_px`` pixels.
    Values beyond ``clip_low`` and ``clip_high`` (parts of full scale) are cut off; ``inverted`` stores bright vessels.
    """

    bits: int = 12
    mapping: Literal["linear", "log", "gamma", "sigmoid"] = "linear"
    background_level: float = 0.6
    offset_level: float = 0.0
    gamma: float = 1.0
    log_span: float = 0.25
    clip_low: float = 0.0
    clip_high: float = 1.0
    inverted: bool = False
    sigmoid_middle: float = 0.65
    sigmoid_width: float = 1.0
    edge_amount: float = 0.0
    edge_px: int = 7


@dataclass(frozen=True, slots=True)
class Recipe:
    """One phantom frame, complete: the same recipe gives the same bytes.

    ``photons_per_px`` is the mean number of detected quanta per pixel at the median background, stray light included;
    infinity or NaN mean no noise. ``supersampling`` fine cells per pixel and axis, each averaged over ``substeps``
    squared points where a wall runs. ``lumen_filling`` scales the contrast density of all vessels (not of the
    catheter); ``front_mm`` is how far the contrast medium has come from the start of the proximal limb (of a
    segment), and ``front_width_mm`` the length over which it thins out; None means that everything is filled.
    ``take`` tells pictures of the same scene apart: other noise, other jitter of the picks, the same background.
    """

    seed: int
    kind: Literal["bifurcation", "segment"]
    limbs: tuple[Limb, ...]
    branching_point_mm: Point
    rows: int = 512
    columns: int = 512
    mm_per_px: float = 0.2
    iodine_mg_per_ml: float = 200.0
    energy_kev: float = 60.0
    photons_per_px: float = 900.0
    catheter: Catheter | None = None
    guide_wire: GuideWire | None = None
    vessels: tuple[Vessel, ...] = ()
    background: Background = field(default_factory=Background)
    optics: Optics = field(default_factory=Optics)
    grey: Grey = field(default_factory=Grey)
    lumen_filling: float = 1.0
    front_mm: float | None = None
    front_width_mm: float = 25.0
    pick_jitter_px: float = 1.0
    take: int = 0
    frame: int | None = None
    second_wire: GuideWire | None = None
    collimator: Collimator | None = None
    supersampling: int = 2
    substeps: int = 4
    title: str = ""

    def __post_init__(self) -> None:
        """Refuse a recipe that cannot be rendered."""
        for what, number in _numbers(self, ""):
            if not math.isfinite(number) and what != "photons_per_px":
                msg = f"{what} must be a finite number, not {number!r}"
                raise ValueError(msg)
        for what, value, low, high in _limits(self):
            if not low <= value <= high:
                msg = f"{what} must lie between {low:g} and {high:g}, not {value!r}"
                raise ValueError(msg)
        names = tuple(limb.name for limb in self.limbs)
        wanted = ("segment",) if self.kind == "segment" else ("proximal", "distal", "side")
        if names not in ((), wanted):
            msg = f"limbs of a {self.kind} are {', '.join(wanted)} in this order, not {', '.join(names)}"
            raise ValueError(msg)

    def limb(self, name: str) -> Limb:
        """Return the limb called ``name``.

        Raises
        ------
        KeyError
            If there is none.
        """
        for limb in self.limbs:
            if limb.name == name:
                return limb
        raise KeyError(name)


def _numbers(value: object, name: str) -> Iterator[tuple[str, float]]:
    """Every float of a recipe with its name."""
    if isinstance(value, float):
        yield name, value
    elif isinstance(value, tuple):
        for item in value:
            yield from _numbers(item, name)
    elif is_dataclass(value):
        for item in fields(value):
            yield from _numbers(getattr(value, item.name), f"{name}.{item.name}" if name else item.name)


def _limits(recipe: Recipe) -> Iterator[tuple[str, float, float, float]]:
    """Numbers that would break or stall the renderer: name, value, smallest, largest. NaN is outside of everything."""
    optics, grey = recipe.optics, recipe.grey
    yield "seed", recipe.seed, 0, 2**63
    yield "rows", recipe.rows, 16, _LARGEST_FRAME
    yield "columns", recipe.columns, 16, _LARGEST_FRAME
    yield "mm_per_px", recipe.mm_per_px, 0.01, 2.0
    yield "iodine_mg_per_ml", recipe.iodine_mg_per_ml, 0.0, 500.0
    yield "energy_kev", recipe.energy_kev, 30.0, 100.0
    if not math.isnan(recipe.photons_per_px):
        yield "photons_per_px", recipe.photons_per_px, 1.0, math.inf
    yield "supersampling", recipe.supersampling, 1, 8
    yield "substeps", recipe.substeps, 1, 8
    yield "optics.blur_mm", optics.blur_mm, 0.02, 5.0
    yield "optics.motion_mm", optics.motion_mm, 0.0, 20.0
    yield "optics.after_detection", optics.after_detection, 0.0, 0.95
    yield "optics.scatter_fraction", optics.scatter_fraction, 0.0, 0.9
    yield "optics.glare_fraction", optics.glare_fraction, 0.0, 0.9 - optics.scatter_fraction
    yield "optics.scatter_mm", optics.scatter_mm, 0.1, 1000.0
    yield "optics.glare_mm", optics.glare_mm, 0.1, 1000.0
    yield "grey.bits", grey.bits, 8, 16
    yield "grey.log_span", grey.log_span, 0.01, 10.0
    yield "grey.sigmoid_width", grey.sigmoid_width, 0.05, 100.0
    yield "grey.edge_amount", grey.edge_amount, 0.0, 10.0
    yield "grey.edge_px", grey.edge_px, 1, 99
    for limb in recipe.limbs:
        yield f"{limb.name}: length_mm", limb.path.length_mm, 0.5, _LONGEST_MM
        yield f"{limb.name}: diameter_mm", limb.diameter_mm, 0.05, 30.0
        yield f"{limb.name}: depth_ratio", limb.depth_ratio, 0.1, 10.0
        for lesion in limb.lesions:
            yield f"{limb.name}: lesion length_mm", lesion.length_mm, 0.1, _LONGEST_MM
            yield f"{limb.name}: lesion ds_percent", lesion.ds_percent, 0.0, 99.0
    for vessel in recipe.vessels:
        yield "vessel: length_mm", vessel.path.length_mm, 0.5, _LONGEST_MM
    if recipe.catheter is not None:
        yield "catheter: length_mm", recipe.catheter.path.length_mm, 0.5, _LONGEST_MM
        yield "catheter: diameter_mm", recipe.catheter.diameter_mm, 0.1, 30.0
