"""What a catheter shaft looks like: hypotheses about wall and lumen, and what is believed before looking.

A catheter is a wall around a lumen that is empty or filled with contrast. Both are blurred cylinders
(:mod:`qca.tube.chord`), so its depth below the background is, per unit amplitude::

    wall E(r_outer) + (lumen - wall) E(r_inner)

with the attenuations of wall and lumen given by the hypothesis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from qca.tube.censored import ENDLESS, GreyEnds

Hypothesis = Literal["filled", "empty", "lumen"]
"""Contrast in the lumen; no contrast in it; only the lumen shows and is the object of known size."""
FILLED: Hypothesis = "filled"
EMPTY: Hypothesis = "empty"
LUMEN: Hypothesis = "lumen"

_FAINT_WALL = (0.15, 0.15)
"""Attenuation of the wall over that of the lumen where only the lumen shows, and its SD; own choice."""
_NO_WALL = (0.0, 1e-3)
"""The same of an empty catheter, whose amplitude is the wall's: a number that is not to move."""


@dataclass(frozen=True, slots=True)
class ShaftOptions:
    """Priors and sizes of the shaft fit; lengths in px."""

    margin_px: float = 12.0
    axis_knot_px: float = 12.0
    background_knot_px: float = 8.0
    lumen_ratio: float = 0.83
    """Inner over outer diameter, 0.88 of a guide, 0.7 to 0.75 of a diagnostic catheter; common practice, no source."""
    lumen_ratio_sd: float = 0.04
    """Narrow, for in a filled catheter the ratio shows only by what the wall attenuates otherwise, which is believed
    loosely by itself."""
    empty_ratio: tuple[float, float] = (0.82, 0.06)
    """The same of an empty catheter, which shows it: its width is the wall's distance from the axis and half the
    wall. All catheters there are, 0.70 to 0.90."""
    wall_over_lumen: float = 0.95
    """Attenuation of the wall over that of a contrast-filled lumen, with its SD: polymer with 20 to 40 % of barium
    sulphate by weight holds 0.14-0.38 g barium per ml, medium 0.35 g iodine; a braid adds to it. Own estimate."""
    wall_over_lumen_sd: float = 0.25
    wall_at_sight_sd: float = 0.15
    """The SD where a shaft is looked at by itself: a wire on the axis looks like a fainter wall."""
    empty_penalty: float = 2.0
    """Log odds against an empty catheter in a frame whose vessels are filled through it; own choice (7 to 1)."""
    filled_log_contrast: tuple[float, float] = (0.1, 0.3)
    """Mean and SD of the logarithm of a filled lumen's contrast over the vessels': the same medium, less diluted; own
    choice."""
    empty_log_contrast: tuple[float, float] = (0.0, 0.8)
    """The same for an empty catheter's wall, polymer or metal braid; own choice, loose."""
    window_px: float = 20.0
    huber: float = 3.0
    ends: GreyEnds = ENDLESS
    """Where the grey scale ends, catheter dark."""

    def at_sight(self) -> ShaftOptions:
        """Options for a shaft that is looked at by itself."""
        return replace(self, wall_over_lumen_sd=self.wall_at_sight_sd)

    def ratio_prior(self, kind: Hypothesis) -> tuple[float, float]:
        """Mean and SD of inner over outer diameter under a hypothesis."""
        return self.empty_ratio if kind == EMPTY else (self.lumen_ratio, self.lumen_ratio_sd)

    def wall_prior(self, kind: Hypothesis) -> tuple[float, float]:
        """Mean and SD of the wall's attenuation over the lumen's under a hypothesis; without unit."""
        if kind == FILLED:
            return self.wall_over_lumen, self.wall_over_lumen_sd
        return _FAINT_WALL if kind == LUMEN else _NO_WALL


@dataclass(frozen=True, slots=True)
class GreyPrior:
    """What the vessels of the frame taught: blur, log px, with SD, bending of the grey scale, 1/px, and contrast.

    ``contrast`` is in grey levels per px of chord on a background of ``level`` (None: that of the shaft); None when it
    is not known. ``curve`` is the grey scale's own curvature over the chord, 1/px.
    """

    log_sigma: float
    log_sigma_sd: float
    bend: float
    contrast: float | None = None
    level: float | None = None
    curve: float = 0.0

    def contrast_on(self, level: float) -> float | None:
        """Contrast on another background, which lets another part of the quanta through; None when it is not known."""
        if self.contrast is None or self.level is None:
            return self.contrast
        return max(self.contrast + self.bend * (level - self.level), 0.1 * self.contrast)


class Attenuation(NamedTuple):
    """Attenuation of wall and lumen per unit amplitude, and the derivative of the wall's by its parameter."""

    wall: float
    lumen: float
    slope: float


def attenuation(kind: Hypothesis, wall_over_lumen: float) -> Attenuation:
    """Attenuation of wall and lumen per unit amplitude.

    Parameters
    ----------
    kind : {"filled", "empty", "lumen"}
        Hypothesis.
    wall_over_lumen : float
        Wall over lumen where the lumen attenuates; unused for an empty catheter, whose amplitude is the wall's.

    Returns
    -------
    Attenuation
        Without unit.
    """
    if kind == EMPTY:
        return Attenuation(1.0, 0.0, 0.0)
    return Attenuation(wall_over_lumen, 1.0, 1.0)
