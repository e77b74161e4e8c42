"""What one fit of limbs starts from: its pixels, the noise and the background beside the limbs, first parameters.

What the limbs predict there stands in :mod:`qca.tube.prediction`, and how a fit goes on from here in
:mod:`qca.tube.joint`.

Axes: P pixels, Q parameters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from qca.tube.band import Array, Mask, select_band
from qca.tube.censored import Censored
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.median import median
from qca.tube.noise import LEAST_NOISE, MAD_TO_SD
from qca.tube.normal import Factor, Pattern, spline_block
from qca.tube.options import FitOptions
from qca.tube.plane import Plane
from qca.tube.prediction import Prediction, State
from qca.tube.priors import bending_of
from qca.tube.rounding import rounding_variance
from qca.tube.shared import Shared
from qca.tube.threaded import Threaded
from qca.tube.wire import Wire


class Problem:
    """Pixels, bases and noise of one fit around given limbs; the limbs' coefficients are only the starting point.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey levels, vessels dark.
    limbs : sequence of Limb
        Starting limbs.
    options : FitOptions
        Sizes and priors.
    shared : Shared
        Shared parameters to start from.
    usable : ndarray of bool, shape (rows, columns)
        Pixels that may be used.
    core_px : float
        Radius around the branching point that is left out.
    thin : bool
        Take every other pixel.
    wires : sequence of Wire
        In the limbs.
    crossed : bool
        Whether pixels take part that lie in both daughters.

    Attributes
    ----------
    prediction : Prediction
        The grey levels as a function of the parameters.
    theta : ndarray, shape (Q,)
        Parameters to start from.
    first : State
        What is predicted there.
    """

    def __init__(
        self,
        image: Array,
        limbs: Sequence[Limb],
        options: FitOptions,
        shared: Shared,
        usable: Mask,
        core_px: float,
        *,
        thin: bool = False,
        wires: Sequence[Wire] = (),
        crossed: bool = True,
    ) -> None:
        self.image = image
        self.limbs = tuple(limbs)
        self.options = options
        band = select_band(
            self.limbs,
            usable,
            margin_px=options.margin_px,
            core_px=core_px,
            thin=thin,
            sigma=None if shared.log_sigma is None else float(np.exp(shared.log_sigma)),
            crossed=crossed,
        )
        self.pixels, self.near, self.clear, self.ends = band.pixels, band.near, band.clear, band.ends
        rows, cols = self.pixels[:, 0].astype(np.int64), self.pixels[:, 1].astype(np.int64)
        self.level: Array = image[rows, cols]
        self.rounding = rounding_variance(self.level)
        self.censored = Censored.of(self.level, options.ends, rounded=self.rounding > 0)
        self.plane = Plane(self.pixels, options.background_knot_px)
        self.layout = Layout.of(self.limbs, self.plane.count, wires)
        self.threaded = Threaded(wires, self.near)
        seen = self.level[self.clear] if self.clear.any() else self.level
        self.base = float(np.median(seen))
        self.prediction = Prediction(
            band, self.limbs, self.threaded, self.plane, self.layout, base=self.base, options=options
        )
        ground, self.noise = self._first_ground(rounds=3 if shared.log_k is None else 1)
        self.theta, self.first = self._start(shared, ground)
        self.bending = [bending_of(limb) for limb in self.limbs]
        self.correlation = shared.correlation
        # a wall may not run away to an edge in the background within one round
        self.widest = [1.25 * float(limb.r.max()) + 1.0 for limb in self.limbs]

    def _first_ground(self, *, rounds: int) -> tuple[Array, float]:
        """Background from the pixels beside the limbs, outliers down-weighted, and the SD of the noise there."""
        plane, count = self.plane, self.plane.count
        some = np.flatnonzero(self.clear)
        column, value, level = plane.column.take(some, axis=0), plane.value.take(some, axis=0), self.level[some]
        weight = np.ones(len(some))
        noise = 1.0
        # beside a lumen without noise all pixels are alike, which is no reason to expect an even background
        least = max(math.sqrt(self.rounding), LEAST_NOISE * float(np.ptp(self.level)), 1e-9)
        coef: Array = np.full(count, self.base)
        if not len(some):
            return coef, noise
        ends = np.searchsorted(some, self.ends)
        pattern = Pattern.of([spline_block(np.arange(len(some)), column)], ends, count, single=True)
        for _ in range(rounds):
            root = np.sqrt(weight)
            normal, vector = pattern.normal((root[:, None] * value).ravel(), root * (level - self.base))
            shift = Factor(normal + plane.penalty, 1e-6, own=True).solve(vector)
            coef = np.asarray(self.base + shift, dtype=np.float64)
            residual = level - plane.evaluate(coef)[some]
            noise = max(MAD_TO_SD * median(np.abs(residual)), least)
            weight = 1 / np.maximum(1, np.abs(residual) / (2 * noise))
        return coef, noise

    def _start(self, shared: Shared, ground: Array) -> tuple[Array, State]:
        """First parameters (Q,): limbs as given, the background, contrast from the depth where it is not known.

        Also what is predicted there.
        """
        layout, numbers = self.layout, self.options.priors
        theta = np.zeros(layout.size)
        for i, limb in enumerate(self.limbs):
            theta[layout.r[i]] = limb.r
            theta[layout.e[i]] = limb.e
            theta[layout.g[i]] = limb.g
        for part, strand in zip(layout.wire_f, self.threaded.strands, strict=True):
            theta[part] = strand.f
        theta[layout.wire_area] = np.log([wire.area for wire in self.threaded.wires])
        theta[layout.ground] = ground
        theta[layout.bend] = numbers.bend if shared.bend is None else shared.bend
        theta[layout.log_sigma] = numbers.log_sigma if shared.log_sigma is None else shared.log_sigma
        if shared.log_k is not None:
            theta[layout.log_k] = shared.log_k
            return theta, self.prediction.at(theta)
        state = self.prediction.at(theta)
        on = state.opacity > 0.3 * float(state.opacity.max(initial=0.0))
        depth = float(np.median((state.ground - self.level)[on] / state.opacity[on])) if on.any() else 0.0
        theta[layout.log_k] = np.log(max(depth, 1e-2 * self.noise))
        return theta, self.prediction.with_contrast(theta, state)
