"""How a frame's grey levels come about, as far as the frame tells: its blur, its contrast and its bending.

The parts of a frame teach one another. Before anything is measured the grey range says roughly how much contrast to
expect; the catheter, an even tube filled with the same medium, says how blurred the frame is and what its contrast is;
the vessels then say all three, and the catheter is measured with what they said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.tube.fitted import JointFit
from qca.tube.priors import PriorNumbers
from qca.tube.shaft_model import GreyPrior, ShaftOptions
from qca.tube.shaft_sight import SeenShaft

Array = npt.NDArray[np.float64]

_CONTRAST_PART, _CONTRAST_LOG_SD = 0.02, 0.7
"""Contrast per px as a part of the grey levels between background and black, and the SD of its logarithm: 0.06 to 0.25
per mm on pixels of 0.1-0.26 mm, less a pedestal of scatter; a logarithmic scale has about half. Own choice, loose."""

_LEAST_ROOM = 1e-3
"""Least step between background and black that is reckoned with, as a part of the grey range."""
_DOUBTED = 3.0
"""SDs of what had been expected from which on a contrast is not that of a medium: in a thin lumen radius, contrast and
blur stand in for one another, and a fit may run away along them. Phantoms stay under 2.7."""


@dataclass(frozen=True, slots=True)
class GreyModel:
    """What the vessels taught about the frame.

    Blur, log px, with its SD; bending of the grey scale, and its own curvature, 1/px; contrast, grey levels per px of
    chord on a background of ``level``, None where it is not known.
    """

    log_sigma: float
    log_sigma_sd: float
    bend: float
    contrast: float | None
    level: float | None = None
    curve: float = 0.0


GUESS = GreyModel(PriorNumbers().log_sigma, PriorNumbers().log_sigma_sd, PriorNumbers().bend, None)
"""Before anything is measured."""


def expected_grey(frame: Frame, image: Array, shaft: SeenShaft | None, *, dark: bool) -> PriorNumbers:
    """Say what to expect of the vessels before they are measured.

    Parameters
    ----------
    frame : Frame
        For its grey range.
    image : ndarray, shape (rows, columns)
        The vessels' surroundings, vessels dark.
    shaft : SeenShaft or None
        The catheter in the same frame.
    dark : bool
        Whether the vessels are dark in the frame itself.

    Returns
    -------
    PriorNumbers
        Priors of blur, contrast and bending.
    """
    black = frame.grey_range[0] if dark else -float(frame.pixels.max())
    least = _LEAST_ROOM * (frame.grey_range[1] - frame.grey_range[0])
    usual = float(np.median(image))
    room = max(usual - black, least)
    numbers = replace(PriorNumbers(), log_k=math.log(_CONTRAST_PART * room), log_k_sd=_CONTRAST_LOG_SD)
    if shaft is None or shaft.ambiguous:
        return numbers
    blur = _product(numbers.log_sigma, numbers.log_sigma_sd, shaft.log_sigma, shaft.log_sigma_sd)
    numbers = replace(numbers, log_sigma=blur[0], log_sigma_sd=blur[1])
    if shaft.contrast is None:
        return numbers
    more, sd = ShaftOptions().filled_log_contrast
    its = GreyPrior(shaft.log_sigma, shaft.log_sigma_sd, numbers.bend, shaft.contrast, shaft.solution.pixels.base)
    here = its.contrast_on(usual) or shaft.contrast
    contrast = _product(numbers.log_k, numbers.log_k_sd, math.log(here) - more, sd)
    return replace(numbers, log_k=contrast[0], log_k_sd=contrast[1])


def _product(mean: float, sd: float, other: float, other_sd: float) -> tuple[float, float]:
    """Mean and SD of the product of two normal densities."""
    precision = 1 / sd**2 + 1 / other_sd**2
    return (mean / sd**2 + other / other_sd**2) / precision, 1 / math.sqrt(precision)


def grey_model(joint: JointFit) -> GreyModel:
    """Blur, bending and contrast of a fit."""
    at = joint.layout
    return GreyModel(
        log_sigma=joint.log_sigma,
        log_sigma_sd=joint.log_sigma_sd,
        bend=float(joint.theta[at.bend]),
        contrast=float(np.exp(joint.theta[at.log_k])),
        level=joint.base,
        curve=joint.curve,
    )


def vessels_alone(joint: JointFit, priors: PriorNumbers) -> GreyModel:
    """Take out what had been told about the blur beforehand, so that a catheter does not hear its own echo.

    Vessels whose contrast lies beyond anything that had been expected teach nothing: `GUESS`.

    Parameters
    ----------
    joint : JointFit
        Fit of the vessels.
    priors : PriorNumbers
        What had been expected of them.
    """
    grey = grey_model(joint)
    if abs(float(joint.theta[joint.layout.log_k]) - priors.log_k) > _DOUBTED * priors.log_k_sd:
        return GUESS
    told = 1 / priors.log_sigma_sd**2
    own = max(1 / grey.log_sigma_sd**2 - told, 1 / GUESS.log_sigma_sd**2)
    mean = grey.log_sigma + (grey.log_sigma - priors.log_sigma) * told / own
    return replace(grey, log_sigma=mean, log_sigma_sd=1 / math.sqrt(own))
