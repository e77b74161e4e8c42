"""A recipe becomes a frame with its truth and its picks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.phantom.background import background_intensity, collimated
from qca.phantom.grey import Stored, stored_values
from qca.phantom.optics import detect, light_spread, motion_blur, stray_light
from qca.phantom.recipe import Recipe
from qca.phantom.transmission import limb_tubes, transmission
from qca.phantom.truth import Truth, truth_of
from qca.picks import Picks

Image = npt.NDArray[np.float64]

_QUANTUM_GRID = 64.0
"""Expected quanta are rounded to 1/64, so that the last bits of a processor's arithmetic do not reach the noise."""


@dataclass(frozen=True, slots=True)
class RenderedPhantom:
    """Pixels (uint8 or uint16, shape (rows, columns), read-only), truth and picks of one phantom frame."""

    pixels: Stored
    truth: Truth
    picks: Picks

    def frame(self, file: str = "phantom") -> Frame:
        """Return the pixels as a `Frame`, as a reader would see them in a file without a header."""
        import hashlib

        pixels = self.pixels.astype(np.float64)
        valid = np.ones(pixels.shape, dtype=np.bool_)
        pixels.flags.writeable = False
        valid.flags.writeable = False
        grey = self.truth.recipe.grey
        return Frame(
            pixels=pixels,
            valid=valid,
            file=file,
            sha256=hashlib.sha256(self.pixels.tobytes()).hexdigest(),
            grey_range=(0.0, float(2**grey.bits - 1)),
        )


def expected_intensity(recipe: Recipe) -> Image:
    """Mean detected intensity, shape (rows, columns), relative to that of the median background; without noise."""
    behind = background_intensity(recipe)
    vessels, catheter = transmission(recipe)
    light = motion_blur(vessels, recipe)
    light *= catheter
    light *= _enlarged(behind if recipe.collimator is None else behind * collimated(recipe), recipe.supersampling)
    seen = stray_light(detect(light, recipe), recipe)
    seen /= np.median(behind)
    return seen


def _enlarged(image: Image, factor: int) -> Image:
    """Interpolate linearly onto fine cells."""
    if factor == 1:
        return image
    from cv2 import INTER_LINEAR, resize

    rows, columns = image.shape
    fine = resize(image, (columns * factor, rows * factor), interpolation=INTER_LINEAR)
    return np.asarray(fine, dtype=np.float64)


def quanta(intensity: Image, recipe: Recipe) -> Image:
    """Draw the detected quanta relative to the background's mean; the intensity itself without noise.

    Frames of one cine have the same seed and different frame numbers, and so different noise.
    """
    if not np.isfinite(recipe.photons_per_px):
        return intensity
    expected = np.rint(intensity * recipe.photons_per_px * _QUANTUM_GRID) / _QUANTUM_GRID
    drawn = np.random.default_rng([recipe.seed, 2, recipe.frame or 0, recipe.take]).poisson(expected)
    return drawn / recipe.photons_per_px


def render_pixels(recipe: Recipe) -> Stored:
    """Render the stored grey values of one frame, shape (rows, columns), read-only."""
    relative = light_spread(quanta(expected_intensity(recipe), recipe), recipe)
    pixels = stored_values(relative, recipe.grey)
    pixels.flags.writeable = False
    return pixels


def render(recipe: Recipe) -> RenderedPhantom:
    """Render one frame.

    Parameters
    ----------
    recipe : Recipe
        Everything about it.

    Returns
    -------
    RenderedPhantom
        The same bytes for the same recipe.

    Raises
    ------
    ValueError
        If the recipe contradicts itself.
    """
    return RenderedPhantom(render_pixels(recipe), truth_of(recipe), picks_of(recipe))


def picks_of(recipe: Recipe) -> Picks:
    """Points a person would give for this frame, off by the recipe's jitter (normal, per axis)."""
    rng = np.random.default_rng([recipe.seed, 3, recipe.take])
    tubes = limb_tubes(recipe)

    def jittered(point_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        x, y = point_mm / recipe.mm_per_px + rng.normal(0.0, 1.0, 2) * recipe.pick_jitter_px
        return (
            round(float(np.clip(x, 0, recipe.columns - 1)), 2),
            round(float(np.clip(y, 0, recipe.rows - 1)), 2),
        )

    picks = Picks(frame=recipe.frame)
    if recipe.kind == "segment":
        limb, tube = recipe.limbs[0], tubes[recipe.limbs[0].name]
        start = jittered(tube.curve.point(limb.first_pick_mm))
        picks = replace(picks, start=start, end=jittered(tube.curve.point(limb.pick_mm)))
    else:
        points = {limb.name: jittered(tubes[limb.name].curve.point(limb.pick_mm)) for limb in recipe.limbs}
        picks = replace(picks, proximal=points["proximal"], distal=points["distal"], side=points["side"])
    catheter = recipe.catheter
    if catheter is not None:
        from qca.phantom.curve import Curve

        shaft = Curve(catheter.path, catheter.start_mm)
        first, last = (jittered(shaft.point(s)) for s in catheter.pick_mm)
        picks = replace(picks, catheter=(first, last), french=catheter.french)
    return picks
