"""Limbs led by hand: a path is laid anew so that it runs through points that a person set."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from qca.errors import PicksError
from qca.picks import Edit
from qca.tree.path import shortest_path

Array = npt.NDArray[np.float64]


def leading_points(edits: Sequence[Edit], names: Sequence[str], aspect: float) -> list[Array]:
    """Points that each limb is led through, (row, column) in square pixels.

    Parameters
    ----------
    edits : sequence of Edit
        All edits; those of kind ``"path"`` count.
    names : sequence of str
        Limbs, in the order wanted.
    aspect : float
        Row pitch divided by column pitch of the stored pixels.

    Returns
    -------
    list of ndarray, shape (K, 2)
        One array per limb, empty where it is not led.
    """
    return [
        np.array(
            [(y * aspect, x) for edit in edits if edit.kind == "path" and edit.limb == name for x, y in edit.points]
        ).reshape(-1, 2)
        for name in names
    ]


def lead(path: Array, cost: Array, through: Array, name: str) -> Array:
    """Lay a path anew from its first to its last point through others, nearest to the beginning first.

    Parameters
    ----------
    path : ndarray, shape (N, 2)
        Path as it was found, (row, column).
    cost : ndarray, shape (rows, columns)
        Cost of stepping onto a pixel.
    through : ndarray, shape (K, 2)
        Points to run through; none leaves the path as it is.
    name : str
        Limb, for messages.

    Returns
    -------
    ndarray, shape (M, 2)
        The new path.

    Raises
    ------
    PicksError
        If a point lies outside the part of the frame that is looked at.
    """
    if not len(through):
        return path
    shape = np.array(cost.shape)
    if (through < -0.5).any() or (through > shape - 0.5).any():
        msg = f"a point that the {name} limb is led through lies outside the frame: take that edit away"
        raise PicksError(msg, limb=name)
    order = np.argsort(np.hypot(*(through - path[0]).T))
    stops = np.vstack([path[:1], through[order], path[-1:]])
    pixels = np.clip(np.round(stops), 0, shape - 1).astype(np.int64)
    pieces = [shortest_path(cost, a, b) for a, b in pairwise(pixels) if (a != b).any()]
    if not pieces:
        return path
    return np.vstack([pieces[0], *(piece[1:] for piece in pieces[1:])])
