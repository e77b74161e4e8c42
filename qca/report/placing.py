"""Where to put the tags of a figure: off the vessel, inside the canvas, not on each other, near what they name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.report.scene import LINE_HEIGHT, Tag, text_width
from qca.report.svg import FONT_SIZE

if TYPE_CHECKING:
    from qca.reading import Points

_PADDING = 6.0
_EDGE = 5.0
"""Free rim of the canvas, canvas units."""
_DISTANCES = (16.0, 30.0, 46.0, 64.0, 84.0, 108.0, 136.0, 168.0, 204.0, 244.0, 288.0)
_DIRECTIONS = 24


@dataclass(frozen=True, slots=True)
class Wish:
    """A tag that wants a place.

    Parameters
    ----------
    lines : tuple of str
        Text; the first line is bold.
    colour : str
        Rim.
    anchor : (float, float)
        Canvas point that it names.
    owner : str
        Limb or thing.
    standoff : float
        The leader ends this far from the anchor, canvas units, so that it does not cover what it names.
    """

    lines: tuple[str, ...]
    colour: str
    anchor: tuple[float, float]
    owner: str
    standoff: float = 0.0


def place(wishes: Sequence[Wish], obstacles: Points, width: float, height: float) -> tuple[Tag, ...]:
    """Give each tag the cheapest place, in the order of the wishes.

    Strategy: a fixed set of candidates around the anchor (24 directions, 11 distances); each costs its distance from
    the anchor, a little for each obstacle point under the box, a lot for overlap with an earlier box or a leader that
    crosses one, and is pushed into the canvas first. No randomness, so the same reading gives the same figure.

    Parameters
    ----------
    wishes : sequence of Wish
        Most important first.
    obstacles : ndarray, shape (N, 2)
        Canvas points that a box should not cover.
    width, height : float
        Canvas size.

    Returns
    -------
    tuple of Tag
        One for each wish.
    """
    obstacles = obstacles[np.isfinite(obstacles).all(axis=1)]
    placed: list[Tag] = []
    for wish in wishes:
        placed.append(min(_candidates(wish, width, height), key=lambda tag: _cost(tag, placed, obstacles)))
    return tuple(placed)


def _candidates(wish: Wish, width: float, height: float) -> list[Tag]:
    box_width = max(text_width(line, bold=k == 0) for k, line in enumerate(wish.lines)) + 2 * _PADDING
    box_height = LINE_HEIGHT * (len(wish.lines) - 1) + FONT_SIZE + 2 * _PADDING - 2
    found = []
    for distance in _DISTANCES:
        for k in range(_DIRECTIONS):
            angle = 2 * math.pi * k / _DIRECTIONS
            dx, dy = math.cos(angle), math.sin(angle)
            centre_x = wish.anchor[0] + dx * (distance + box_width / 2)
            centre_y = wish.anchor[1] + dy * (distance + box_height / 2)
            x = min(max(centre_x - box_width / 2, _EDGE), max(width - box_width - _EDGE, _EDGE))
            y = min(max(centre_y - box_height / 2, _EDGE), max(height - box_height - _EDGE, _EDGE))
            found.append(
                Tag(wish.lines, wish.colour, wish.anchor, x, y, box_width, box_height, wish.standoff, wish.owner)
            )
    return found


def _cost(tag: Tag, placed: list[Tag], obstacles: Points) -> float:
    end = leader_end(tag)
    length = math.dist(tag.anchor, end)
    cost = length
    under = (
        (obstacles[:, 0] > tag.x - 3)
        & (obstacles[:, 0] < tag.x + tag.width + 3)
        & (obstacles[:, 1] > tag.y - 3)
        & (obstacles[:, 1] < tag.y + tag.height + 3)
    )
    cost += 12.0 * int(under.sum())
    if tag.x <= tag.anchor[0] <= tag.x + tag.width and tag.y <= tag.anchor[1] <= tag.y + tag.height:
        cost += 2000.0
    for other in placed:
        apart_x = max(other.x - tag.x - tag.width, tag.x - other.x - other.width)
        apart_y = max(other.y - tag.y - tag.height, tag.y - other.y - other.height)
        if max(apart_x, apart_y) < 3:
            cost += 4000.0
        if _crosses(tag.anchor, end, other):
            cost += 800.0
        if _crosses(other.anchor, leader_end(other), tag):
            cost += 800.0
    return cost


def leader_end(tag: Tag) -> tuple[float, float]:
    """Nearest point of a tag's box to its anchor."""
    return (
        min(max(tag.anchor[0], tag.x), tag.x + tag.width),
        min(max(tag.anchor[1], tag.y), tag.y + tag.height),
    )


def leader(tag: Tag) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Find the ends of a tag's leader, near the anchor and at the box; None when the box is too near to need one."""
    end = leader_end(tag)
    distance = math.dist(tag.anchor, end)
    if distance <= tag.standoff + 2:
        return None
    share = tag.standoff / distance
    start = (tag.anchor[0] + share * (end[0] - tag.anchor[0]), tag.anchor[1] + share * (end[1] - tag.anchor[1]))
    return (start, end)


def _crosses(a: tuple[float, float], b: tuple[float, float], box: Tag) -> bool:
    for t in np.linspace(0.0, 1.0, 24):
        x, y = a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])
        if box.x < x < box.x + box.width and box.y < y < box.y + box.height:
            return True
    return False
