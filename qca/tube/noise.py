"""Noise of a frame from the residuals of a fit: its variance by grey level, and its correlation between pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.median import median

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

MAD_TO_SD = 1.4826
"""SD of a normal variable over its median absolute deviation."""
FLOOR = 0.2
"""Smallest variance anywhere, as a part of the mean one."""
LEAST_NOISE = 0.005
"""No model knows a lumen's grey levels better than this part of their depth (SD of a pixel): its own choice of blur,
background and wall is left over in frames nearly without noise. At 2500 quanta per pixel noise is 2 to 5 %."""
_PAIRS = 100
"""Fewer pairs of pixels at a lag say nothing about it."""
_BLOCK_PX, _BLOCK_PIXELS = 16, 64
"""Side of a block, px, and the fewest pixels in one that counts."""


@dataclass(frozen=True, slots=True)
class NoiseLaw:
    """Variance of single pixels' noise as a line over the grey level, as quanta on a linear scale have it.

    Parameters
    ----------
    low, high : float
        Grey levels between which it is a line; beyond them it stays.
    at_low, slope : float
        Variance at the low end, and its change per grey level.
    covariance : ndarray, shape (2, 2)
        Of both, for independent noise.
    least, spread : float
        The least that rounding and `LEAST_NOISE` make of it, and the mean variance.
    """

    low: float
    high: float
    at_low: float
    slope: float
    covariance: Array
    least: float
    spread: float

    def at(self, level: Array) -> Array:
        """Variance at grey levels (P,), at least a fifth of the mean one and ``least``."""
        above = np.minimum(np.maximum(level, self.low), self.high) - self.low
        variance = np.maximum(self.at_low + self.slope * above, FLOOR * self.spread)
        # clipping squares at 3 SD takes 1.0 % (a normal variable's expectation) off the variance
        return np.asarray(np.maximum(variance * 1.01, self.least))


def noise_law(residual: Array, level: Array, rounding: float = 0.0) -> NoiseLaw:
    """Fit it, robust to outliers.

    Parameters
    ----------
    residual, level : ndarray, shape (P,)
        Residuals and fitted grey levels.
    rounding : float
        The least that rounding makes of it.
    """
    low, high = (float(end) for end in np.quantile(level, [0.02, 0.98]))
    least = max(rounding, (LEAST_NOISE * (high - low)) ** 2)
    spread = max(MAD_TO_SD**2 * median(np.abs(residual)) ** 2, 1e-12)
    square = np.minimum(residual**2, 9 * spread)
    above = np.minimum(np.maximum(level, low), high) - low
    weight = np.full(len(level), 1 / spread**2)
    for _ in range(2):
        by_level = weight * above
        first, second = float(by_level.sum()), float(by_level @ above)
        normal = np.array([[float(weight.sum()), first], [first, second]]) + 1e-12 * np.eye(2)
        at_low, slope = np.linalg.solve(normal, [float(weight @ square), float(by_level @ square)]).tolist()
        variance = np.maximum(at_low + slope * above, FLOOR * spread)
        weight = 1 / variance**2
    # a square of a normal variable varies by twice the square of its mean
    return NoiseLaw(low, high, at_low, slope, np.asarray(2 * np.linalg.inv(normal), dtype=np.float64), least, spread)


def noise_variance(residual: Array, level: Array, rounding: float = 0.0, at: Array | None = None) -> Array:
    """Variance by the law of the noise.

    Parameters
    ----------
    residual, level, rounding
        As for `noise_law`.
    at : ndarray, shape (A,), optional
        Grey levels at which it is wanted; the same as ``level`` where they are not given.

    Returns
    -------
    ndarray, shape (P,) or (A,)
        Variance per pixel.
    """
    return noise_law(residual, level, rounding).at(level if at is None else at)


def correlation_factor(pixels: Array, z: Array, reach: int = 3) -> float:
    """How much larger the noise power at low frequencies is than that of white noise of the same variance.

    What the model leaves over counts as noise.

    Parameters
    ----------
    pixels : ndarray, shape (P, 2)
        (row, column) of the residuals.
    z : ndarray, shape (P,)
        Residuals over their SD.
    reach : int
        Largest lag, px.

    Returns
    -------
    float
        Sum of the autocorrelation over lags, at least 1.
    """
    z = np.clip(z, -3, 3)
    return max(1.0 + float(_with_neighbours(pixels, z, reach).sum() / np.maximum(z @ z, 1e-12)), 1.0)


def typical_correlation(pixels: Array, z: Array, reach: int = 3) -> float:
    """Give the same where the model fits: the median over blocks of the picture, for what crosses a vessel is no noise.

    Parameters and result are those of `correlation_factor`.
    """
    z = np.clip(z, -3, 3)
    r, c = (place // _BLOCK_PX for place in _places(pixels))
    block = r * (int(c.max()) + 1) + c
    count, power = np.bincount(block), np.bincount(block, weights=z * z)
    used = count >= min(_BLOCK_PIXELS, int(count.max()))
    together = np.bincount(block, weights=_with_neighbours(pixels, z, reach))
    return max(1.0 + float(np.median(together[used] / np.maximum(power[used], 1e-12))), 1.0)


def behind_high_pass(field: Array) -> Array:
    """Give what single pixels' noise is seen in: independent noise keeps its SD, what is smooth vanishes.

    The difference of two Laplacians over 3 x 3 pixels (Immerkaer J, Comput Vis Image Underst 1996;64:300-302; from
    memory).

    Parameters
    ----------
    field : ndarray, shape (rows, columns)
        Grey levels or residuals, NaN where unknown.

    Returns
    -------
    ndarray, shape (rows - 2, columns - 2)
        Of all but the outermost pixels; NaN where not all nine are known.
    """
    across = field[:, :-2] - 2 * field[:, 1:-1] + field[:, 2:]
    return np.asarray((across[:-2] - 2 * across[1:-1] + across[2:]) / 6)


def high_passed(field: Array) -> Array:
    """Give the same where it is known, shape (N,)."""
    passed = behind_high_pass(field)
    return np.asarray(passed[np.isfinite(passed)])


def _places(pixels: Array) -> tuple[Index, Index]:
    """Rows and columns of pixels (P, 2), each (P,), from the least ones on."""
    # one by one: the library goes through an array of pairs pair by pair
    r, c = (pixels[:, k].astype(np.int64) for k in (0, 1))
    return r - r.min(), c - c.min()


def _with_neighbours(pixels: Array, z: Array, reach: int) -> Array:
    """Products of each z with all its neighbours', shape (P,), as many as if every pixel had all of them."""
    r, c = _places(pixels)
    # rows end in a margin without pixels, where neighbours beyond either side are looked for
    width = int(c.max()) + 1 + reach
    place = r * width + c
    size = (int(r.max()) + 1 + reach) * width
    field, known = np.zeros(size), np.zeros(size, dtype=bool)
    field[place] = z
    known[place] = True
    sums = np.zeros(len(z))
    for dr in range(reach + 1):
        for dc in range(-reach, reach + 1):
            if (dr == 0 and dc <= 0) or dr * dr + dc * dc > reach * reach:
                continue
            neighbour = place + (dr * width + dc)
            pairs = np.count_nonzero(known.take(neighbour))
            if pairs > _PAIRS:
                sums += (2 * len(z) / pairs) * z * field.take(neighbour)
    return sums
