"""How much of the X-rays passes vessels, catheter and wire: Beer-Lambert through exact chords.

Strategy: the pixels that any structure can touch are found first (a few per cent of the frame). Feet of
perpendiculars are computed at their centres and continued to sub-points by series, so that the chord of each structure
costs a few array operations. Lumens that are joined take the larger half chord, which is the union of bodies that are
symmetric about the image plane; everything else adds up.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.curve import Curve
from qca.phantom.recipe import Recipe
from qca.phantom.shapes import GuideWire
from qca.phantom.tube import Tube, limb_tube, subpixel_feet, true_diameter, vessel_tube

Image = npt.NDArray[np.float64]
Vector = npt.NDArray[np.float64]
Filling = Callable[[Vector], Vector]


class Patch:
    """The touched pixels of a frame with their sub-points.

    Parameters
    ----------
    recipe : Recipe
        Frame size, pixel size and sub-points.
    outlines : list of (Curve, float)
        Curves and the widest half width around each, mm.
    """

    def __init__(self, recipe: Recipe, outlines: list[tuple[Curve, float]]) -> None:
        self.mm_per_px = recipe.mm_per_px
        near = np.zeros((recipe.rows, recipe.columns), dtype=np.bool_)
        for curve, half_width in outlines:
            near |= _near(curve, half_width + 1.5 * recipe.mm_per_px, recipe)
        self.near = near
        rows, columns = np.nonzero(near)
        self.points_mm: Vector = np.stack((columns, rows), axis=-1).astype(np.float64) * recipe.mm_per_px
        self.fine = recipe.supersampling
        self.steps = recipe.supersampling * recipe.substeps
        offset = ((np.arange(self.steps) + 0.5) / self.steps - 0.5) * recipe.mm_per_px
        self.offset_x = np.tile(offset, self.steps)
        self.offset_y = np.repeat(offset, self.steps)

    def zeros(self) -> Image:
        """Return zeros at every sub-point, shape (pixels, steps squared)."""
        return np.zeros((self.points_mm.shape[0], self.steps**2))

    def half_depth_squared(
        self, tube: Tube, widest_mm: float, out: Image, filled: Image | None = None, filling: Filling | None = None
    ) -> None:
        """Raise ``out`` to the squared half chord of ``tube`` wherever that is larger; in place.

        There ``filled`` becomes ``filling`` of the arc length, the contrast density at that place.
        """
        centres = tube.curve.point(np.arange(0.0, tube.curve.length_mm + 0.5, 0.5))
        margin = widest_mm + 2 * self.mm_per_px
        low, high = centres.min(axis=0) - margin, centres.max(axis=0) + margin
        box = np.nonzero(((self.points_mm >= low) & (self.points_mm <= high)).all(axis=1))[0]
        foot = tube.curve.foot(self.points_mm[box])
        reach = widest_mm + self.mm_per_px
        hit = (np.abs(foot.d_mm) < reach) & (foot.s_mm > -reach) & (foot.s_mm < tube.curve.length_mm + reach)
        chosen = box[hit]
        s, d = subpixel_feet(foot.only(hit), self.offset_x, self.offset_y)
        square = tube.half_depth_squared(s, d)
        if filled is not None and filling is not None:
            filled[chosen] = np.where(square > out[chosen], filling(s), filled[chosen])
        out[chosen] = np.maximum(out[chosen], square)

    def chord(self, tube: Tube, widest_mm: float) -> Image:
        """Chord through one tube at every sub-point, mm."""
        square = self.zeros()
        self.half_depth_squared(tube, widest_mm, square)
        return 2 * np.sqrt(square)

    def to_fine(self, values: Image) -> Image:
        """Average sub-points within fine cells and lay them into a fine image that is 1 elsewhere."""
        rows, columns = self.near.shape
        cells = values.reshape(-1, self.fine, self.steps // self.fine, self.fine, self.steps // self.fine).mean((2, 4))
        image = np.ones((rows, self.fine, columns, self.fine))
        row, column = np.nonzero(self.near)
        image[row, :, column, :] = cells
        return image.reshape(rows * self.fine, columns * self.fine)


def _near(curve: Curve, distance_mm: float, recipe: Recipe) -> npt.NDArray[np.bool_]:
    """Pixels whose centre lies within a distance of a curve (a little more, never less)."""
    from cv2 import polylines

    points = curve.point(np.arange(0.0, curve.length_mm + 0.25, 0.25)) / recipe.mm_per_px
    reach = distance_mm / recipe.mm_per_px
    canvas = np.zeros((recipe.rows, recipe.columns), dtype=np.uint8)
    thickness = max(1, math.ceil(2 * reach) + 3)
    polylines(canvas, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], False, 1, thickness)  # noqa: FBT003
    return canvas.astype(np.bool_)


def limb_tubes(recipe: Recipe) -> dict[str, Tube]:
    """Tubes of the recipe's limbs by name."""
    return {limb.name: limb_tube(limb, recipe.branching_point_mm) for limb in recipe.limbs}


def _widest(tube: Tube) -> float:
    s = np.arange(0.0, tube.curve.length_mm + 0.1, 0.1)
    shift = 0.0 if tube.shift is None else float(np.abs(tube.shift(s)).max())
    return float(tube.radius(s).max()) + shift


def transmission(recipe: Recipe) -> tuple[Image, Image]:
    """Compute the transmitted part of the X-rays on the fine grid.

    Returns
    -------
    tuple of ndarray, each shape (rows * supersampling, columns * supersampling)
        Through the contrast-filled vessels with the guide wires, and through the catheter; 1 where there is nothing.
    """
    limbs = limb_tubes(recipe)
    joined = list(limbs.values()) + [vessel_tube(v) for v in recipe.vessels if v.attached]
    fillings = [_filling(recipe, *_travel(recipe, name)) for name in limbs]
    fillings += [_filling(recipe, v.upstream_mm, 1.0) for v in recipe.vessels if v.attached]
    crossing = [vessel_tube(v) for v in recipe.vessels if not v.attached]
    catheter = recipe.catheter
    shaft = None if catheter is None else Curve(catheter.path, catheter.start_mm)
    outlines = [(tube.curve, _widest(tube)) for tube in joined + crossing]
    if shaft is not None and catheter is not None:
        outlines.append((shaft, catheter.diameter_mm / 2))
    patch = Patch(recipe, outlines)

    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    square = patch.zeros()
    filled = patch.zeros()
    for tube, filling in zip(joined, fillings, strict=True):
        patch.half_depth_squared(tube, _widest(tube), square, filled, filling)
    chord = 2 * np.sqrt(square)
    loss = chord.copy() if recipe.front_mm is None else chord * filled
    for tube in crossing:
        loss += patch.chord(tube, _widest(tube))
    loss *= contrast * recipe.lumen_filling
    for wire in (recipe.guide_wire, recipe.second_wire):
        if wire is None:
            continue
        square = patch.zeros()
        for tube in wire_tubes(recipe, limbs, wire):
            patch.half_depth_squared(tube, _widest(tube), square)
        metal = 2 * np.sqrt(square)
        loss += metal * wire.metal_per_mm - np.minimum(metal, chord) * contrast * recipe.lumen_filling
    if shaft is None or catheter is None:
        vessels = patch.to_fine(np.exp(-loss))
        return vessels, np.ones_like(vessels)
    outer = patch.chord(_rod(shaft, catheter.diameter_mm), catheter.diameter_mm / 2)
    if catheter.engaged:
        loss -= np.minimum(outer, chord) * contrast * recipe.lumen_filling * (filled if recipe.front_mm else 1.0)
    vessels = patch.to_fine(np.exp(-loss))
    inner = patch.chord(_rod(shaft, catheter.inner_diameter_mm), catheter.inner_diameter_mm / 2)
    loss = (outer - inner) * catheter.wall_per_mm + inner * contrast * catheter.filling
    return vessels, patch.to_fine(np.exp(-loss))


def _travel(recipe: Recipe, name: str) -> tuple[float, float]:
    """How far contrast has come at arc length 0 of a limb, and how that changes outwards."""
    if recipe.kind == "segment":
        return 0.0, 1.0
    return recipe.limb("proximal").path.length_mm, -1.0 if name == "proximal" else 1.0


def _filling(recipe: Recipe, start_mm: float, sign: float) -> Filling | None:
    """Contrast density along a vessel behind the front, 0 to 1; None where all is filled."""
    front = recipe.front_mm
    if front is None:
        return None

    def density(s: Vector) -> Vector:
        u = np.clip((front - start_mm - sign * s) / recipe.front_width_mm + 0.5, 0.0, 1.0)
        return u * u * (3 - 2 * u)

    return density


def _rod(curve: Curve, diameter_mm: float) -> Tube:
    return Tube(curve, lambda s: np.full_like(s, diameter_mm / 2))


def wire_tubes(recipe: Recipe, limbs: dict[str, Tube], wire: GuideWire) -> list[Tube]:
    """Tubes of a guide wire, one along each limb that it passes, off centre by a part of the free play."""
    tubes = []
    for name in wire.through:
        # outward directions of the limbs are opposite: one side of the wire's way changes sign in the proximal limb
        sign = -1.0 if name == "proximal" else 1.0
        limb = recipe.limb(name)

        def shift(s: Vector, limb: object = limb, sign: float = sign, tube: Tube = limbs[name]) -> Vector:
            play = np.maximum(true_diameter(limb, s) - wire.diameter_mm, 0.0) / 2  # type: ignore[arg-type]
            middle = np.zeros_like(s) if tube.shift is None else tube.shift(s)
            return middle + sign * wire.offset * play

        tubes.append(Tube(limbs[name].curve, lambda s: np.full_like(s, wire.diameter_mm / 2), shift))
    return tubes
