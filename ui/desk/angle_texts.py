"""Where the angles' texts stand on the frame: between their limbs, off walls, handles and points. No napari."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_LETTER, _LINE = 10.8, 18.0
"""Width of a letter and height of a line as napari draws them, screen px."""

_CLEAR = 7.0
"""Room around a text: half a point with its rim, screen px."""

_FROM = (2.0, 1.5)
"""napari writes a text up and to the right of its point by so much, layer px; see the canvas's translation."""

_TURNS = (0.0, 0.2, -0.2, 0.4, -0.4, 0.6, -0.6, 0.8, -0.8)
"""Directions tried, as shares of the way from the middle of the angle to its limbs."""

_STEPS, _STEP = 26, 8.0
"""Distances tried from the branching point, and how far they are apart, screen px."""

_OUTSIDE, _OVER, _UNDER = 40.0, 400.0, 25.0
"""Cost of a text beyond the frame, on another text, and per thing under it, in screen px of distance."""


@dataclass(frozen=True, slots=True)
class AngleText:
    """A text and where it belongs: unit vector ``towards`` (x, y), and ``half`` the angle that is free there, rad."""

    text: str
    towards: tuple[float, float]
    half: float


def places(
    texts: Sequence[AngleText],
    begin: Sequence[float],
    nearest_px: float,
    things: Array,
    zoom: float,
    size: tuple[int, int],
) -> list[tuple[float, float]]:
    """Give each text the nearest free place in its direction.

    Parameters
    ----------
    texts : sequence of AngleText
        Most important first.
    begin : (x, y)
        Branching point, stored px.
    nearest_px : float
        No text's middle stands nearer to it.
    things : ndarray, shape (N, 2)
        Places (x, y), stored px, that should not be covered.
    zoom : float
        Screen px per stored px.
    size : (columns, rows)
        Of the frame.

    Returns
    -------
    list of (x, y)
        Points that napari shall write the texts at, stored px.
    """
    zoom = max(zoom, 1e-6)
    taken: list[tuple[Array, Array]] = []
    found = []
    for one in texts:
        half_box = np.array([len(one.text) * _LETTER, _LINE]) / 2 / zoom
        middles, costs = _candidates(one, begin, nearest_px, zoom)
        reach = half_box + _CLEAR / zoom
        covered = (np.abs(things[None] - middles[:, None]) < reach).all(axis=2).sum(axis=1)
        costs = costs + _UNDER * covered
        inside = (middles - half_box > 0) & (middles + half_box < np.array(size, dtype=float))
        costs += _OUTSIDE * (~inside).sum(axis=1)
        for middle, box in taken:
            costs += _OVER * (np.abs(middles - middle) < half_box + box).all(axis=1)
        best = middles[int(np.argmin(costs))]
        taken.append((best, half_box))
        found.append((float(best[0] - half_box[0] - _FROM[0]), float(best[1] + half_box[1] + _FROM[1])))
    return found


def _candidates(one: AngleText, begin: Sequence[float], nearest_px: float, zoom: float) -> tuple[Array, Array]:
    """Middles (K, 2) tried, stored px, and what each costs, screen px."""
    angle = math.atan2(one.towards[1], one.towards[0])
    turns = angle + np.array(_TURNS) * one.half
    away = nearest_px + _STEP / zoom * np.arange(_STEPS)
    grid_away, grid_turn = (grid.ravel() for grid in np.meshgrid(away, turns, indexing="ij"))
    middles = np.array(begin, dtype=float) + grid_away[:, None] * np.column_stack(
        [np.cos(grid_turn), np.sin(grid_turn)]
    )
    sideways = np.abs(grid_turn - angle) * grid_away
    return middles, zoom * (grid_away + 0.5 * sideways)
