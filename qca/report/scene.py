"""What a figure on the frame consists of, before it becomes SVG or PNG: lines, markers and tags over a crop.

Canvas units are CSS pixels of the figure at its natural size; (0, 0) is the upper left corner of the first pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.report.svg import FONT_SIZE

if TYPE_CHECKING:
    from qca.reading import Points
    from qca.report.crop import Crop
    from qca.report.marker import Marker

LINE_HEIGHT = 16.5
"""From one line of a tag to the next, canvas units."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of canvas points, shape (N, 2).

    ``role`` says what it is (``wall``, ``centreline``, ``mld``, ``reference``, ``lesion``, ``catheter``), ``owner``
    whose. ``cased`` lines have a white rim, so that they are seen on dark and on bright ground.
    """

    points: Points
    colour: str
    width: float
    dash: tuple[float, ...]
    role: str
    owner: str
    cased: bool = True


@dataclass(frozen=True, slots=True)
class Tag:
    """A box of text with a leader that ends ``standoff`` before its anchor; the first line is bold."""

    lines: tuple[str, ...]
    colour: str
    anchor: tuple[float, float]
    x: float
    y: float
    width: float
    height: float
    standoff: float
    owner: str


@dataclass(frozen=True, slots=True)
class Scene:
    """A crop, its magnification and what is drawn on it, in order.

    Parameters
    ----------
    crop : Crop
        The frame's part below everything.
    zoom : float
        Canvas units per pixel column.
    """

    crop: Crop
    zoom: float
    lines: tuple[Line, ...]
    markers: tuple[Marker, ...]
    tags: tuple[Tag, ...]

    @property
    def width(self) -> float:
        """Canvas width."""
        return self.crop.columns * self.zoom

    @property
    def height(self) -> float:
        """Canvas height."""
        return self.crop.rows * self.zoom * self.crop.aspect


def to_canvas(points: Points, crop: Crop, zoom: float) -> Points:
    """Convert stored-pixel points to canvas points.

    An integer coordinate is a pixel's centre, so the first pixel's upper left corner, canvas (0, 0), lies at
    ``(crop.left - 0.5, crop.top - 0.5)``.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        (x, y), stored pixels.
    crop : Crop
        The shown part.
    zoom : float
        Canvas units per pixel column.

    Returns
    -------
    ndarray, shape (N, 2)
        (x, y), canvas units.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    return np.column_stack(
        [(points[:, 0] - crop.left + 0.5) * zoom, (points[:, 1] - crop.top + 0.5) * zoom * crop.aspect]
    )


_LETTER = 0.56
_BOLD_LETTER = 0.66
"""Mean width of a letter over the letter height in the widest of the common sans-serif fonts (DejaVu Sans): of a length
with its uncertainty, whose digits are wide."""


def text_width(text: str, size: float = FONT_SIZE, *, bold: bool = False) -> float:
    """Estimate the width of a line of text in a common sans-serif letter, canvas units; errs on the wide side."""
    return (_BOLD_LETTER if bold else _LETTER) * size * len(text)


def dashes(points: Points, pattern: tuple[float, ...]) -> list[Points]:
    """Cut a line into its strokes.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        The line, canvas units.
    pattern : tuple of float
        Lengths of strokes and gaps in turn; empty for a solid line.

    Returns
    -------
    list of ndarray, shape (M, 2)
        The strokes; the whole line for an empty pattern.
    """
    if not pattern or len(points) < 2:
        return [points]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    strokes: list[Points] = []
    position, k = 0.0, 0
    while position < along[-1]:
        end = min(position + pattern[k % len(pattern)], along[-1])
        if k % 2 == 0:
            inside = along[(along > position) & (along < end)]
            where = np.concatenate([[position], inside, [end]])
            strokes.append(np.column_stack([np.interp(where, along, points[:, axis]) for axis in (0, 1)]))
        position, k = end, k + 1
    return strokes
