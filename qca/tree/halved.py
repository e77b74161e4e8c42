"""An image on pixels twice as large. Integers are pixel centres on both."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def halved(image: Array) -> Array:
    """Mean of every 2 x 2 pixels, (rows, columns) -> (half the rows, half the columns), rounded up.

    A last odd row or column stands for its missing neighbour.
    """
    rows, columns = image.shape[0] + image.shape[0] % 2, image.shape[1] + image.shape[1] % 2
    padded = np.pad(image, ((0, rows - image.shape[0]), (0, columns - image.shape[1])), mode="edge")
    # the library's own mean over such short axes goes through them one by one
    upper, lower = (padded[k::2, ::2] + padded[k::2, 1::2] for k in (0, 1))
    return np.asarray((upper + lower) / 4)


def to_half(points: Array) -> Array:
    """Points (N, 2) of an image, px, on its halved image."""
    return (points - 0.5) / 2


def from_half(points: Array) -> Array:
    """Points (N, 2) of a halved image, px, on the image."""
    return points * 2 + 0.5
