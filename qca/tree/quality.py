"""How well a limb's pixels agree with one round, evenly filled tube on a smooth background.

All measures are taken in windows along the limb, so that one crossing vessel does not hide in an average.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.fitted import JointFit

Array = npt.NDArray[np.float64]

WINDOW_PX = 8.0
"""Length of a window along the limb: about a vessel's diameter, the size of what crosses or sits in it."""
UNSEEN = 1.0
"""Signal to noise ratio per root px of length under which a lumen is not seen: 3 over such a window."""


@dataclass(frozen=True, slots=True)
class LimbQuality:
    """Windows along one limb, W of them, from its start outwards; NaN where a window has no pixels.

    Parameters
    ----------
    position : ndarray, shape (W,)
        Arc length of a window's middle, px.
    inside, inside_count : ndarray, shape (W,)
        Mean squared residual over the noise inside the lumen and at its walls, 1 for a perfect fit, and its pixels, as
        many as there would be if they shared no noise.
    shift, shift_sd : ndarray, shape (W,)
        Largest smooth residual there as a part of the lumen's depth, and its SD.
    beside, beside_count : ndarray, shape (W,)
        Mean squared residual over the noise within 5 px of the blurred walls, and its pixels.
    beside_shift : ndarray, shape (W,)
        Largest mean residual of one side there, in its own SDs.
    ground_step, ground_tilt : ndarray, shape (W,)
        How far the background's level, and its difference from one side to the other, leave their course along the
        limb, as parts of the lumen's depth: a crossing vessel that the background has swallowed.
    ground_side : ndarray, shape (W,)
        The background's difference from one side to the other itself, in the same parts.
    ground_sd : ndarray, shape (W,)
        What noise alone makes of the level, in the same parts.
    noise_part : float
        SD of a single pixel's noise as a part of the lumen's depth.
    strength : ndarray, shape (W,)
        Signal to noise ratio of the lumen per px of length.
    gain, gain_sd : float
        Logarithm of the limb's contrast relative to the tree's, and its SD.
    """

    position: Array
    inside: Array
    inside_count: Array
    shift: Array
    shift_sd: Array
    beside: Array
    beside_count: Array
    beside_shift: Array
    ground_step: Array
    ground_tilt: Array
    ground_side: Array
    ground_sd: Array
    noise_part: float
    strength: Array
    gain: float
    gain_sd: float


def limb_quality(fit: JointFit, i: int) -> LimbQuality:
    """Measure how well the pixels of one limb agree with the fit.

    Parameters
    ----------
    fit : JointFit
        A fit that is not rough.
    i : int
        Which limb.

    Returns
    -------
    LimbQuality
        Windows of about `WINDOW_PX`.
    """
    limb, near = fit.limbs[i], fit.near[i]
    count = max(int(limb.curve.length // WINDOW_PX), 1)
    edges = np.linspace(0, limb.curve.length, count + 1)
    s, x = near.s, near.x - limb.offset(near.s)
    r = limb.radius(near.s)
    sigma = float(np.exp(fit.log_sigma))
    z = fit.residual[near.pixel]
    variance = fit.variance[near.pixel]
    # neighbours share noise: sums of it have more of it, and of its squares about half as much more
    shared = fit.typical
    depth = fit.background[near.pixel] - fit.model[near.pixel]
    window = np.clip(np.searchsorted(edges, s, side="right") - 1, 0, count - 1)
    lumen = np.abs(x) <= r + sigma
    band = (np.abs(x) > r + 2 * sigma) & (np.abs(x) <= r + 2 * sigma + 5)
    square = np.minimum(z * z, 36.0)

    def mean(values: Array, mask: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
        n = np.bincount(window[mask], minlength=count).astype(float)
        total = np.bincount(window[mask], weights=values[mask], minlength=count)
        return np.where(n > 0, total / np.maximum(n, 1), np.nan), n / (0.5 + 0.5 * shared)

    inside, inside_n = mean(square, lumen)
    beside, beside_n = mean(square, band)
    noise = np.sqrt(variance)
    # smooth residual in thirds across the lumen, against the depth there
    third = np.clip(((x / np.maximum(r + sigma, 0.5)) + 1) * 1.5, 0, 2.999).astype(int)
    cell = window * 3 + third
    n3 = np.bincount(cell[lumen], minlength=3 * count).astype(float)
    res3 = np.bincount(cell[lumen], weights=(z * noise)[lumen], minlength=3 * count) / np.maximum(n3, 1)
    noise3 = np.sqrt(shared * np.bincount(cell[lumen], weights=variance[lumen], minlength=3 * count))
    noise3 /= np.maximum(n3, 1)
    res3, noise3 = res3.reshape(count, 3), noise3.reshape(count, 3)
    peak = np.array([depth[(window == w) & lumen].max(initial=1e-9) for w in range(count)])
    worst = np.argmax(np.abs(res3) / np.maximum(noise3, 1e-9), axis=1)
    rows = np.arange(count)
    side = np.where(x > 0, 1, 0)
    cell2 = window * 2 + side
    n2 = np.bincount(cell2[band], minlength=2 * count).astype(float)
    t2 = np.bincount(cell2[band], weights=z[band], minlength=2 * count) / np.sqrt(shared * np.maximum(n2, 1))
    signal = np.bincount(window[lumen], weights=(depth**2 / variance)[lumen], minlength=count)
    strength = np.sqrt(signal / (edges[1] - edges[0]))
    typical = float(np.median(peak))
    step, tilt, across = _ground_course(fit.background[near.pixel], x, window, count, typical)
    around = np.maximum(np.bincount(window[~lumen], minlength=count), 1)
    ground_sd = np.sqrt(shared * np.bincount(window[~lumen], weights=variance[~lumen], minlength=count)) / around
    part = fit.layout.g[i]
    weights = limb.g_spline.matrix(np.linspace(0, limb.curve.length, 30)).mean(0)
    return LimbQuality(
        position=(edges[:-1] + edges[1:]) / 2,
        inside=inside,
        inside_count=inside_n,
        shift=res3[rows, worst] / peak,
        shift_sd=noise3[rows, worst] / peak,
        beside=beside,
        beside_count=beside_n,
        beside_shift=np.abs(t2.reshape(count, 2)).max(1),
        ground_step=step,
        ground_tilt=tilt,
        ground_side=across,
        ground_sd=ground_sd / max(typical, 1e-9),
        noise_part=float(np.median(noise)) / max(typical, 1e-9),
        strength=strength,
        gain=float(weights @ limb.g),
        gain_sd=float(np.sqrt(max(weights @ fit.covariance[part, part] @ weights, 0.0))),
    )


def _ground_course(
    background: Array, x: Array, window: npt.NDArray[np.int64], count: int, depth: float
) -> tuple[Array, Array, Array]:
    """Level and side difference of the background per window (W,) off their course, and the difference itself.

    All are parts of ``depth``; the course is the running median over 7 windows.
    """
    from scipy.ndimage import median_filter

    sums = []
    for mask in (x >= 0, x < 0):
        n = np.bincount(window[mask], minlength=count)
        sums.append(np.bincount(window[mask], weights=background[mask], minlength=count) / np.maximum(n, 1))
        sums[-1][n == 0] = np.nan
    right, left = sums
    level, tilt = (right + left) / 2, right - left
    out = []
    for course in (level, tilt):
        known = np.isfinite(course)
        filled = np.where(known, course, float(np.median(course[known])) if known.any() else 0.0)
        out.append((filled - median_filter(filled, size=7, mode="nearest")) / max(depth, 1e-9))
    return out[0], out[1], tilt / max(depth, 1e-9)
