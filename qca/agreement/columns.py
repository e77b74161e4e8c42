"""The columns of a comparison: which reads are held against each other, and the values they share."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from qca.agreement.estimate import Matrix


@dataclass(frozen=True, slots=True)
class Read:
    """One column of a comparison: a reader's pass."""

    reader: str
    passage: int

    def __str__(self) -> str:
        """Name it as the report does."""
        return f"{self.reader}, pass {self.passage}"


Reads = Mapping[Read, Mapping[str, tuple[float, float]]]
Chosen = tuple[str, tuple[Read, ...]]


def chosen_columns(reads: Mapping[Read, object]) -> list[Chosen]:
    """Which columns to compare: passes of each reader in pairs, then all; first passes of readers likewise."""
    chosen: list[Chosen] = []
    readers = sorted({read.reader for read in reads})
    for reader in readers:
        passes = sorted((read for read in reads if read.reader == reader), key=lambda read: read.passage)
        chosen.extend(("intra-reader", two) for two in itertools.combinations(passes, 2))
        if len(passes) > 2:
            chosen.append(("intra-reader", tuple(passes)))
    firsts = [min((r for r in reads if r.reader == reader), key=lambda r: r.passage) for reader in readers]
    chosen.extend(("inter-reader", two) for two in itertools.combinations(firsts, 2))
    if len(firsts) > 2:
        chosen.append(("inter-reader", tuple(firsts)))
    return chosen


def shared_items(columns: tuple[Read, ...], reads: Mapping[Read, Mapping[str, object]]) -> tuple[tuple[str, ...], int]:
    """Items that at least two of the columns hold, and how many only one holds."""
    seen: dict[str, int] = {}
    for column in columns:
        for item in reads[column]:
            seen[item] = seen.get(item, 0) + 1
    items = tuple(item for item, count in seen.items() if count >= 2)
    return items, len(seen) - len(items)


def filled(columns: tuple[Read, ...], reads: Reads, items: tuple[str, ...]) -> tuple[Matrix, Matrix]:
    """Values and SDs, items by columns."""
    nothing = (math.nan, math.nan)
    cells = np.array([[reads[column].get(item, nothing) for column in columns] for item in items])
    cells = cells.reshape((len(items), len(columns), 2))
    return cells[:, :, 0], cells[:, :, 1]
