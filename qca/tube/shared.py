"""What all limbs of a tree share, carried from one fit to the next."""

from __future__ import annotations

from dataclasses import dataclass

from qca.tube.priors import Precisions


@dataclass(frozen=True, slots=True)
class Shared:
    """Shared parameters; None where not yet known.

    Parameters
    ----------
    log_k : float or None
        Contrast, log of grey levels per px of chord.
    bend : float or None
        Bending, 1/px.
    log_sigma : float or None
        Blur, log px.
    precisions : Precisions or None
        Learned strengths of the priors.
    correlation : float
        Noise power at low frequencies over that of white noise; without unit. After a fit with a covariance that of all
        it leaves over, its own errors with it, otherwise that where it fits.
    """

    log_k: float | None = None
    bend: float | None = None
    log_sigma: float | None = None
    precisions: Precisions | None = None
    correlation: float = 1.0
