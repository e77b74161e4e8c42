"""What a joint fit has found: limbs, parameters with their covariance, and the pixels as they were seen and predicted.

Whoever asks something of a fit reads this value; how it came about is :mod:`qca.tube.joint`'s own affair. What the
belief in smoothness has done to the radii, and what noise alone does to them, follows from the covariance and the
precisions that it holds.

Axes: P pixels, Q parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qca.tube.band import Array, Mask, Near
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.shared import Shared
from qca.tube.wire import Wire
from qca.tube.wire_sight import SeenWires


@dataclass(frozen=True, slots=True)
class JointFit:
    """Result of a fit.

    Parameters
    ----------
    limbs : tuple of Limb
        Limbs with fitted coefficients.
    layout : Layout
        Where each parameter stands in ``theta``.
    theta : ndarray, shape (Q,)
        All parameters.
    covariance : ndarray, shape (Q, Q)
        Inverse Hessian of minus the log posterior, zero for the background; NaN where it was not needed.
    shared : Shared
        Shared parameters, to start the next fit from.
    pixels : ndarray, shape (P, 2)
        Pixels in play, (row, column).
    level, model, background : ndarray, shape (P,)
        Grey levels, vessels dark: seen, predicted, and predicted without vessels. Where the scale ends before what is
        predicted, that counts as seen.
    at_end, shown : ndarray of bool, shape (P,)
        Pixels that were seen at an end of the grey scale, and those that show their level; without noise some do both.
    opacity : ndarray, shape (P,)
        Blurred opacity of the limbs' union, px.
    variance : ndarray, shape (P,)
        Of the noise of single pixels, grey levels squared.
    weight : ndarray, shape (P,)
        Huber weight, 0 to 1.
    typical : float
        By how much the variance that noise has for what is smooth is more than a pixel's, where the model fits.
    curve : float
        Curvature of the grey scale over the chord, 1/px, that was reckoned with.
    base : float
        Background, grey levels, on which the contrast is that of ``theta``.
    near : tuple of Near
        Each limb's pixels with their arc length and lateral distance.
    wires : tuple of Wire
        Those in the lumen, with fitted numbers.
    seen_wires : SeenWires, optional
        Where some are likeliest; None where none were looked for.
    odd : tuple of int
        Limbs that hold a line which is no wire, so that they are not what they are taken for.
    """

    limbs: tuple[Limb, ...]
    layout: Layout
    theta: Array
    covariance: Array
    shared: Shared
    pixels: Array
    level: Array
    at_end: Mask
    shown: Mask
    model: Array
    background: Array
    opacity: Array
    variance: Array
    weight: Array
    typical: float
    curve: float
    base: float
    near: tuple[Near, ...]
    wires: tuple[Wire, ...] = ()
    seen_wires: SeenWires | None = None
    odd: tuple[int, ...] = ()

    @property
    def log_sigma(self) -> float:
        """Logarithm of the blur, px."""
        return float(self.theta[self.layout.log_sigma])

    @property
    def log_sigma_sd(self) -> float:
        """SD of it."""
        at = self.layout.log_sigma
        return float(np.sqrt(self.covariance[at, at]))

    @property
    def branching_point(self) -> Array:
        """Where the centrelines meet, (row, column)."""
        return np.asarray(self.limbs[0].curve.points[0] + self.theta[self.layout.meeting])

    def smoothed_by(self, i: int) -> Array:
        """How far, px, the belief in smoothness has moved limb ``i``: about as far as it would move its radii again.

        The bias of a smoother, told by what it does once more to its own result (Tukey JW, Exploratory Data Analysis,
        1977, "twicing"; from memory).
        """
        precisions, part = self.shared.precisions, self.layout.r[i]
        assert precisions is not None  # noqa: S101 - set by every fit
        push = precisions.r[i] * np.diff(self.theta[part], 2)
        return np.asarray(-self.covariance[part, part] @ np.convolve(push, [1.0, -2.0, 1.0]))

    def response(self, i: int, given_back: float = 0.0) -> Array:
        """Say what becomes of limb ``i``'s true radii in the fit: a matrix to multiply their coefficients by.

        ``given_back`` is the part of `smoothed_by` that is taken off the radii.
        """
        pull = self._pull(i)
        whole = np.eye(len(pull))
        return np.asarray((whole + given_back * pull) @ (whole - pull))

    def _pull(self, i: int) -> Array:
        """Say what smoothness takes from limb ``i``'s radii: a matrix to multiply their coefficients by."""
        precisions, part = self.shared.precisions, self.layout.r[i]
        assert precisions is not None  # noqa: S101 - set by every fit
        return np.asarray(self.covariance[part, part] @ stiffness(precisions.r[i]))

    def shaken(self, i: int, given_back: float = 0.0) -> Array:
        """Covariance of limb ``i``'s radii from frame to frame, px^2: what noise alone does to them.

        The posterior's holds besides it what smoothness keeps from being told. ``given_back`` is the part of
        `smoothed_by` that is taken off the radii.
        """
        part = self.layout.r[i]
        posterior, pull = self.covariance[part, part], self._pull(i)
        again = np.eye(len(posterior)) + given_back * pull
        return np.asarray(again @ (posterior - pull @ posterior) @ again.T)

    @property
    def residual(self) -> Array:
        """Level minus model over the noise SD, shape (P,)."""
        return np.asarray((self.level - self.model) / np.sqrt(self.variance))


def stiffness(precision: Array) -> Array:
    """Give the matrix (count, count) of the belief that second differences are zero with ``precision`` (count - 2,)."""
    second = np.diff(np.eye(len(precision) + 2), 2, axis=0)
    return np.asarray((second.T * precision) @ second)
