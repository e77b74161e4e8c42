"""A picture that must be grey: one channel, or several that say the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from qca.errors import UnsupportedFrame

Stored = npt.NDArray[Any]


def one_channel(picture: Stored, name: str, index: int = 0) -> Stored:
    """Make one channel of a picture.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, channels)
        Grey; grey and alpha; red, green and blue; or those and alpha.
    name : str
        File name, for messages.
    index : int
        Frame number, for messages.

    Returns
    -------
    ndarray, shape (rows, columns)
        The grey values, in the picture's own type.

    Raises
    ------
    UnsupportedFrame
        If the channels differ or a pixel is not opaque.
    """
    if picture.ndim == 2:
        return picture
    channels = picture.shape[2]
    if channels in (2, 4):
        alpha = picture[..., -1]
        if not bool(np.all(alpha == np.iinfo(picture.dtype).max)):
            msg = f"{name} has transparent pixels, whose grey values are not defined: save it without transparency."
            raise UnsupportedFrame(msg, file=name, frame=index)
    grey = picture[..., 0]
    if channels >= 3:
        differing = (grey != picture[..., 1]) | (grey != picture[..., 2])
        if bool(differing.any()):
            row, column = (int(part) for part in np.argwhere(differing)[0])
            values = ", ".join(str(int(value)) for value in picture[row, column, :3])
            msg = (
                f"{name} is in colour (red, green, blue = {values} at column {column}, row {row}): save it as a grey "
                "picture, without coloured marks on it."
            )
            raise UnsupportedFrame(msg, file=name, frame=index)
    return np.ascontiguousarray(grey)
