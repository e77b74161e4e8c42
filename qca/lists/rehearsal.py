"""A rehearsal: made-up readers for phantom frames, so that a study can be tried before anybody reads.

Beside every phantom frame stand the picks of a perfect reader. A rehearsed reader clicks beside them, by a drawn amount
and with a habit of its own.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from pathlib import Path
from statistics import NormalDist

from qca.csv_text import lines
from qca.errors import InputError
from qca.lists.reading_list import KeyRow, ReadingList
from qca.picks import Picks, Point
from qca.picks_file import read_picks

LIST_COLUMNS = (
    *("code", "file", "frame", "proximal", "distal", "side", "start", "end"),
    *("catheter_a", "catheter_b", "french", "catheter_mm", "mm_per_px"),
)
"""Columns of a table for ``qca batch``."""

HABIT_SHARE = 0.5
"""A reader's constant shift, as a share of the drawn spread."""


def rehearse(listing: ReadingList, key: Sequence[KeyRow], reader: str, *, sd_px: float = 1.0, seed: str = "") -> str:
    """Make up the picks of one reader for all reads of a list.

    Parameters
    ----------
    listing : ReadingList
        The list.
    key : sequence of KeyRow
        Its key, opened: the perfect picks stand beside the original frames.
    reader : str
        Who is made up.
    sd_px : float
        SD of each coordinate of a pick, px.
    seed : str
        Another one gives another reader.

    Returns
    -------
    str
        A table for ``qca batch``, in the reader's order.

    Raises
    ------
    InputError
        If a frame has no picks beside it.
    """
    behind = {row.code: row for row in key}
    habit = _shift(f"{seed}\n{reader}\nhabit", HABIT_SHARE * sd_px)
    rows: list[tuple[object, ...]] = [LIST_COLUMNS]
    for read in listing.of(reader):
        row = behind[read.code]
        picks = _perfect(row.file)

        def beside(point: Point | None, label: str, code: str = read.code) -> str:
            if point is None:
                return ""
            dx, dy = _shift(f"{seed}\n{code}\n{label}", sd_px)
            return f"{point[0] + habit[0] + dx:.2f} {point[1] + habit[1] + dy:.2f}"

        ends = picks.catheter or (None, None)
        rows.append(
            (
                *(read.code, "", read.frame if read.frame is not None else picks.frame),
                *(beside(getattr(picks, name), name) for name in ("proximal", "distal", "side", "start", "end")),
                *(beside(ends[0], "catheter_a"), beside(ends[1], "catheter_b")),
                *(picks.french, picks.catheter_mm, picks.mm_per_px),
            )
        )
    return lines(rows)


def _perfect(file: Path) -> Picks:
    path = file.with_suffix(".picks.json")
    if not path.exists():
        msg = f"There are no picks beside {file.name}: a rehearsal needs phantom frames, as 'qca phantom' writes them."
        raise InputError(msg, file=file.name)
    return read_picks(path)


def _shift(label: str, sd: float) -> tuple[float, float]:
    """Draw two normal numbers from a label."""
    digest = hashlib.sha256(label.encode()).digest()
    normal = NormalDist(0, 1)
    x, y = (int.from_bytes(digest[at : at + 8], "big") / 2**64 for at in (0, 8))
    return tuple(sd * normal.inv_cdf(min(max(u, math.ulp(1.0)), 1 - math.ulp(1.0))) for u in (x, y))  # type: ignore[return-value]
