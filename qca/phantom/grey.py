"""From detected quanta to stored grey values."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from qca.phantom.recipe import Grey

Image = npt.NDArray[np.float64]
Stored = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


def stored_values(relative: Image, grey: Grey) -> Stored:
    """Map intensity to integers.

    Parameters
    ----------
    relative : ndarray, shape (rows, columns)
        Detected intensity divided by that of the median background; zero is no light.
    grey : Grey
        The mapping.

    Returns
    -------
    ndarray of uint8 (up to 8 bits) or uint16, same shape

    Raises
    ------
    ValueError
        For bits outside 8 to 16.
    """
    if not 8 <= grey.bits <= 16:
        msg = f"bits must lie between 8 and 16, not {grey.bits!r}"
        raise ValueError(msg)
    full = 2**grey.bits - 1
    span = grey.background_level - grey.offset_level
    if grey.mapping == "log":
        darkest = np.exp(-grey.background_level / grey.log_span) / 2
        level = grey.background_level + grey.log_span * np.log(np.maximum(relative, darkest))
    elif grey.mapping == "gamma":
        level = grey.offset_level + span * np.maximum(relative, 0.0) ** grey.gamma
    elif grey.mapping == "sigmoid":
        level = 1 / (1 + np.exp(-4 * (relative - grey.sigmoid_middle) / grey.sigmoid_width))
    else:
        level = grey.offset_level + span * relative
    if grey.edge_amount:
        level = level + grey.edge_amount * (level - _mean_around(level, grey.edge_px))
    low, high = max(grey.clip_low, 0.0), min(grey.clip_high, 1.0)
    values: Image = np.rint(np.clip(level, low, high) * full)
    if grey.inverted:
        values = full - values
    return values.astype(np.uint8) if grey.bits == 8 else values.astype(np.uint16)


def _mean_around(level: Image, width: int) -> Image:
    """Mean over the square of this odd width about each pixel, the frame mirrored at its borders."""
    half = width // 2
    mean = level
    for axis in range(2):
        edges = [(half, half) if a == axis else (0, 0) for a in range(2)]
        around = np.lib.stride_tricks.sliding_window_view(np.pad(mean, edges, mode="symmetric"), 2 * half + 1, axis)
        mean = around.mean(axis=-1)
    return mean
