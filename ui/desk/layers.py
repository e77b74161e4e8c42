"""Data and looks of napari's layers set in one go: drawn once, not once per property."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import numpy as np
from napari.utils.events import EmitterGroup

NONE = "#00000000"
DARK, BRIGHT = "#101010", "#ffffff"
"""Rim and body of texts on the frame."""

_AROUND = ((-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0))


@contextmanager
def drawn_once(layer: Any) -> Iterator[None]:  # noqa: ANN401 - a Points or Vectors layer
    """Keep a layer from being drawn while it is changed; draw it at the end.

    napari draws a layer anew after each change of its points, colours, sizes, symbols or texts.
    """
    with ExitStack() as quiet:
        quiet.enter_context(layer._block_refresh())  # noqa: SLF001 - no public way
        parts = [layer, *(getattr(layer, name, None) for name in ("_face", "_border", "_edge", "text"))]
        for part in parts:
            events = getattr(part, "events", None)
            if isinstance(events, EmitterGroup):
                quiet.enter_context(events.blocker_all())
        yield
    layer.refresh(thumbnail=False, highlight=False)


def set_vectors(layer: Any, data: np.ndarray, colour: np.ndarray) -> None:  # noqa: ANN401 - a Vectors layer
    """Replace the K lines of a layer: ``data`` (K, 2, 2) as (start, step), ``colour`` (K, 4)."""
    if len(data) == 0 and len(layer.data) == 0:
        return
    same = len(layer.data) == len(data)  # napari colours new ones itself
    before = layer.metadata.get("colour") if same else None
    with drawn_once(layer):
        layer.data = data
        if len(data) and (before is None or not np.array_equal(before, colour)):
            layer.edge_color = colour
            layer.metadata["colour"] = colour


def set_points(
    layer: Any,  # noqa: ANN401 - a Points layer
    rows: np.ndarray,
    colours: list[str],
    labels: list[str],
    symbols: list[str],
    borders: list[str],
    shade_px: float,
) -> None:
    """Replace the N points of a layer, ``rows`` (N, 2) as (row, column), with their looks.

    Each label has a dark rim, ``shade_px`` layer pixels wide, so that it can be read on bright tissue too. napari has
    none: there are four dark copies of the text under it, those of points that are not seen themselves.
    """
    named = [k for k, label in enumerate(labels) if label]
    shades = np.concatenate([rows[named] + shade_px * np.array(step) for step in _AROUND]).reshape(-1, 2)
    unseen, words = [NONE] * len(shades), [labels[k] for k in named] * len(_AROUND)
    rows = np.concatenate([shades, rows])
    looks = ([*unseen, *colours], [*words, *labels], [*(["disc"] * len(shades)), *symbols], [*unseen, *borders])
    known = (
        len(layer.data) == len(rows) and layer.metadata.get("looks") == looks
    )  # napari gives new ones looks of its own
    if known and np.array_equal(layer.data, rows):
        return
    with drawn_once(layer):
        layer.data = rows
        if not len(rows):
            return
        layer.size = layer.current_size
        if known:
            return
        colours, labels, symbols, borders = looks
        inks = [DARK] * len(shades) + [BRIGHT] * (len(rows) - len(shades))
        layer.features = {"label": np.array(labels, dtype=object), "ink": np.array(inks, dtype=object)}
        layer.symbol = symbols
        layer.face_color = colours
        layer.border_color = borders
        layer.metadata["looks"] = looks
