"""Frames that went through edge enhancement, and how the noise tells.

Quanta make noise that is white, or red where light spreads in the detector. An unsharp mask adds to each pixel a part
of its difference from the mean around it and so leaves noise that is weaker at low than at high frequencies, as little
else on the way of an image does. How much weaker says the mask's amount, from where on its width; both are read
from the whole frame's noise, and the frame is divided by the mask in the frequency domain. (Unsharp masking: Gonzalez
RC, Woods RE, Digital Image Processing, chapter 3; from memory.)

Axes: B blocks of ``_SIDE`` x ``_SIDE`` pixels, F frequencies of one of them, K kernels, A amounts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame

Array = npt.NDArray[np.float64]
Real = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Kinds = tuple[tuple[float, int], ...]
Choice = tuple[tuple[float, ...], tuple[int, ...], tuple[float, ...]]

_SIDE = 64
_FEWEST, _LOOKED, _MOST = 16, 36, 600
"""Blocks without which nothing is said, of a first look, and at most."""
_PART = 0.3
"""Quantile over the blocks that stands for the noise: vessels and edges are in the others."""
_LOWEST = 0.025
"""Cycles per px from which on the noise is looked at; below lies the anatomy."""
_FINE = 0.3
"""Cycles per px above which all kernels leave about the same."""
_MODEL_SD, _ANATOMY_SD = 0.025, 0.002
"""Relative SD of the power beside that of the noise: everywhere, and in cycles per px over the frequency."""
_ANATOMY, _ANATOMY_FALLS = (0.0, 0.01, 0.03, 0.08, 0.2), 4.0
"""What anatomy may add to white noise at 0.05 cycles per px, and with which power of the frequency that falls."""
_CUT = 9.0
"""Squared residuals are cut here: single lines of a spectrum are stripes."""
_SURE, _LEAST = 90.0, 0.12
"""Gain and amount from which on a frame was enhanced. Of 355 frames that were not, those whose noise is white gain up
to 27; a photograph full of fine vessels, with white noise added, up to 62."""
_LOOK = 6.0
"""Gain in a first look at some blocks and some masks that is worth a second one."""
_WHITE = 1.6
"""Largest reduced chi squared: texture, and noise that a filter or compression has made red, keep their secrets. That
photograph leaves 1.3 to 3.8, enhanced frames 0.9 to 1.5."""
_NARROWEST = 0.7
"""SD, px, of the narrowest kernel. Mild JPEG compression looks like narrower ones, which no enhancement uses."""
_ALL = (tuple(0.6 * 1.12**k for k in range(20)), (3, 5, 7, 9, 11, 13, 15), tuple(0.04 * k for k in range(51)))
_SOME = ((0.8, 1.4, 2.4, 4.0), (3, 5, 7, 9, 11, 13, 15), (0.0, 0.15, 0.3, 0.6, 1.2))
"""SDs of Gaussian kernels, widths of boxes, amounts."""
_MARGIN = 48
"""Reflected pixels around a frame before it is divided."""


@dataclass(frozen=True, slots=True)
class UnsharpMask:
    """What was added: ``amount`` times the difference from a mean.

    ``box_px`` is the width of a square mean, 0 for a Gaussian one of SD ``sigma_px``. ``left`` is the reduced chi
    squared of the noise with the mask, ``gain`` what it takes off chi squared, divided by ``left`` where that is above
    1.
    """

    amount: float
    sigma_px: float
    box_px: int
    gain: float
    left: float

    @property
    def sure(self) -> bool:
        """Whether the frame was enhanced, beyond doubt."""
        wide = self.box_px > 0 or self.sigma_px > _NARROWEST
        return wide and self.amount > _LEAST and self.gain > _SURE and self.left < _WHITE

    def response(self, rows: Real, columns: Real) -> Array:
        """Factor at these frequencies, cycles per px, shape (rows, columns)."""
        mean = _along(rows, self.sigma_px, self.box_px)[:, None] * _along(columns, self.sigma_px, self.box_px)
        return np.asarray(1 + self.amount * (1 - mean))


def unsharp_mask(frame: Frame) -> UnsharpMask | None:
    """Tell the mask that a frame went through; None where there is no sign of one.

    Parameters
    ----------
    frame : Frame
        Stored grey values.

    Returns
    -------
    UnsharpMask or None
        One that is ``sure``.
    """
    blocks = _blocks(frame)
    if len(blocks) < _FEWEST:
        return None
    glimpse = _seen(frame.pixels, blocks[:: -(-len(blocks) // _LOOKED)], _ANATOMY[:1], _SOME, _LOOK)
    if glimpse is None or glimpse.left > _WHITE:
        return None
    mask = _seen(frame.pixels, blocks[:: -(-len(blocks) // _MOST)], _ANATOMY, _ALL, _SURE)
    return mask if mask is not None and mask.sure else None


def smoothed_back(frame: Frame, mask: UnsharpMask) -> Frame:
    """Give the frame as it was before the mask.

    Parameters
    ----------
    frame : Frame
        Stored grey values.
    mask : UnsharpMask
        What it went through.

    Returns
    -------
    Frame
        Same size, file and header numbers; grey values are real numbers.
    """
    from scipy.fft import irfft2, rfft2

    margin = [(min(_MARGIN, size - 1),) * 2 for size in frame.pixels.shape]
    wide = np.pad(frame.pixels, margin, mode="reflect")
    response = mask.response(np.fft.fftfreq(wide.shape[0]), np.fft.rfftfreq(wide.shape[1]))
    whole = irfft2(rfft2(wide) / response, wide.shape)
    pixels = whole[margin[0][0] : margin[0][0] + frame.rows, margin[1][0] : margin[1][0] + frame.columns].copy()
    pixels.setflags(write=False)
    return replace(frame, pixels=pixels)


def _along(frequency: Real, sigma: float, box: int) -> Array:
    """Response of a mean along one axis."""
    if not box:
        return np.asarray(np.exp(-2 * (np.pi * sigma * frequency) ** 2))
    steps = np.arange(1, box // 2 + 1)
    return np.asarray((1 + 2 * np.cos(2 * np.pi * frequency[:, None] * steps).sum(1)) / box)


def _blocks(frame: Frame) -> list[tuple[int, int]]:
    """Upper left corners of blocks that overlap by half, without a pixel under a shutter."""
    half = _SIDE // 2
    starts = [range(0, size - _SIDE + 1, half) for size in frame.pixels.shape]
    corners = [(r, c) for r in starts[0] for c in starts[1]]
    if not frame.valid.all():
        corners = [(r, c) for r, c in corners if frame.valid[r : r + _SIDE, c : c + _SIDE].all()]
    return corners


def _noise_power(pixels: Array, blocks: list[tuple[int, int]]) -> Array | None:
    """Power of the noise over that of white noise, about 1 for high frequencies, shape (F,); None without noise."""
    from scipy.fft import rfft2

    window, plane, white = _window()
    used = _frequencies()[2]
    every = np.lib.stride_tricks.sliding_window_view(pixels, (_SIDE, _SIDE))
    rows, columns = np.array(blocks).T
    seen = (every[rows, columns] * window).reshape(len(blocks), -1)
    seen -= (seen @ plane) @ plane.T
    whole = rfft2(seen.reshape(-1, _SIDE, _SIDE).astype(np.float32))
    power = (whole.real**2 + whole.imag**2).reshape(len(blocks), -1)
    fine = power[:, _frequencies()[1]].mean(1)
    noisy = fine > 1e-3 * float(np.median(fine))
    if np.count_nonzero(noisy) < _FEWEST:
        return None
    power = power[noisy][:, used] / fine[noisy, None]
    at = round(_PART * (len(power) - 1))
    # a power is an exponential variable, of which this is the quantile
    return _folded(np.partition(power, at, axis=0)[at] / (-np.log(1 - _PART) * white), used)


@lru_cache(maxsize=1)
def _frequencies() -> tuple[Array, Mask, Mask]:
    """Frequencies that are used, their rows' part without its sign (F,); which of all are fine, and which are used."""
    rows, columns = (a.ravel() for a in np.meshgrid(np.fft.fftfreq(_SIDE), np.fft.rfftfreq(_SIDE), indexing="ij"))
    size = np.hypot(rows, columns)
    # stripes of rows and columns lie on the axes
    used = (size > _LOWEST) & (rows != 0) & (columns != 0) & (rows != -0.5) & (columns != 0.5)
    return _folded(size[used], used), size > _FINE, used


def _folded(of_used: Array, used: Mask) -> Array:
    """Mean of what stands at frequencies with the rows' part positive and negative."""
    every = np.full(len(used), np.nan)
    every[used] = of_used
    whole = every.reshape(_SIDE, -1)
    mean = (whole[1 : _SIDE // 2] + whole[: _SIDE // 2 : -1]) / 2
    return np.asarray(mean[np.isfinite(mean)])


@lru_cache(maxsize=1)
def _window() -> tuple[Array, Array, Array]:
    """Hann window of a block, planes under it (pixels, 3), and the power that white noise keeps (F,)."""
    hann = np.hanning(_SIDE + 2)[1:-1]
    window = np.outer(hann, hann)
    window /= np.sqrt((window**2).sum())
    row, column = np.mgrid[:_SIDE, :_SIDE] - (_SIDE - 1) / 2
    plane, _ = np.linalg.qr(np.column_stack([(window * k).ravel() for k in (np.ones_like(row), row, column)]))
    # white noise under the window, less its part along the planes
    heavy = plane * window.reshape(-1, 1) ** 2
    along, across = (np.fft.rfft2(p.T.reshape(-1, _SIDE, _SIDE)).reshape(3, -1) for p in (plane, heavy))
    kept = 1 - 2 * (along.conj() * across).real.sum(0) + (along.conj() * ((plane.T @ heavy) @ along)).real.sum(0)
    return window, np.asarray(plane), np.asarray(kept[_frequencies()[2]])


@lru_cache(maxsize=2)
def _models(sigmas: tuple[float, ...], boxes: tuple[int, ...], amounts: tuple[float, ...]) -> tuple[Kinds, Array]:
    """Kernels (sigma, box), and the log power that each leaves of white noise at each amount, shape (K, A, F).

    The window smooths a spectrum, which is to multiply the autocorrelation with the window's own.
    """
    hann = np.hanning(_SIDE + 2)[1:-1]
    own = np.correlate(hann, hann, "full")
    own = np.roll(np.concatenate([[0.0], own / own.max()]), -_SIDE)
    frequency, used = np.fft.fftfreq(2 * _SIDE), _frequencies()[2]
    kinds = (*((sigma, 0) for sigma in sigmas), *((0.0, box) for box in boxes))

    def seen(spectrum: Array) -> Array:
        smooth = np.fft.fft2(np.fft.ifft2(spectrum) * np.outer(own, own)).real
        return _folded(smooth[::2, : _SIDE + 1 : 2].ravel()[used], used)

    amount = np.array(amounts)[:, None]
    models = []
    for sigma, box in kinds:
        along = _along(frequency, sigma, box)
        rest = 1 - np.outer(along, along)
        models.append(np.log(1 + 2 * amount * seen(rest) + amount**2 * seen(rest**2)))
    return kinds, np.array(models)


def _seen(
    pixels: Array, blocks: list[tuple[int, int]], anatomy: Sequence[float], among: Choice, least: float
) -> UnsharpMask | None:
    """Fit the noise of these blocks with each of the masks and take the best; None where it gains too little."""
    power = _noise_power(pixels, blocks)
    if power is None:
        return None
    kinds, models = _models(*among)
    frequency = _frequencies()[0]
    sd = np.sqrt(1.5 / len(blocks) + _MODEL_SD**2 + (_ANATOMY_SD / frequency) ** 2)
    fall = (frequency / 0.05) ** -_ANATOMY_FALLS
    levels = [np.log(np.maximum(power, 1e-6)) - np.log(1 + part * fall) for part in anatomy]
    chi2 = np.min([_chi2(level - models, sd) for level in levels], axis=0)
    kernel, amount = np.unravel_index(int(chi2.argmin()), chi2.shape)
    best = float(chi2[kernel, amount])
    left = best / len(power)
    gain = (float(chi2[0, 0]) - best) / max(left, 1.0)
    return UnsharpMask(among[2][amount], *kinds[kernel], gain, left) if gain > least else None


def _chi2(off: Array, sd: Array) -> Array:
    """Chi squared of differences of log power, shape (K, A, F), whose height is free; shape (K, A)."""
    pull = 1 / sd**2
    pull /= pull.sum()
    off = off - (off @ pull)[..., None]
    for _ in range(2):
        off -= (np.clip(off, -3 * sd, 3 * sd) @ pull)[..., None]
    return np.asarray(np.minimum((off / sd) ** 2, _CUT).sum(-1))
