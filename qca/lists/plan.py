"""Who reads what, when: orders drawn from a seed, balanced, with two reads of one frame kept apart.

All draws are sorts by SHA-256 of the seed and a label, so that a seed gives the same plan with every version of every
library.

Strategy: each reader's pass is one sequence. One drawn order is cut into as many blocks as there are sequences;
sequence s begins with block s and goes round, so that over all sequences every frame stands equally often early and
late. Within its block a frame's place is drawn anew for each sequence, so that neighbours differ. From the second pass
of a reader on, the next frame is the first of the sequence whose earlier read is far enough back.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from qca.errors import InputError

ALPHABET = "23456789BCDFGHJKMNPQRTVWXZ"
"""Signs of a code: none that is taken for another, no vowels, so no words."""

CODE_LENGTH = 6

_TRIES = 64


@dataclass(frozen=True, slots=True)
class Assignment:
    """One read to be done.

    Parameters
    ----------
    order : int
        Place in the reader's sequence, from 1.
    code : str
        Opaque code of this read.
    item : int
        Index of the frame.
    reader : str
        Who reads.
    passage : int
        Which pass, from 1.
    """

    order: int
    code: str
    item: int
    reader: str
    passage: int


def make_plan(
    items: int, readers: Sequence[str], *, seed: str, passes: int = 1, reread: float = 0.0, gap: int = 0
) -> tuple[Assignment, ...]:
    """Draw a plan.

    Parameters
    ----------
    items : int
        Number of frames.
    readers : sequence of str
        Reader codes.
    seed : str
        Any text; the same one gives the same plan.
    passes : int
        Full passes of each reader.
    reread : float
        Share of the frames, 0 to 1, that every reader reads once more in a last pass; the same frames for all readers,
        so that the spread within and between readers can be told apart.
    gap : int
        At least so many other reads lie between two reads of one frame by one reader.

    Returns
    -------
    tuple of Assignment
        Reader by reader, in order.

    Raises
    ------
    InputError
        If there is nothing to read, a number makes no sense, or the gap is larger than the frames allow.
    """
    _check(items, readers, passes, reread, gap)
    again = round(reread * items)
    base = _drawn(range(items), seed, "order")
    chosen = frozenset(_drawn(range(items), seed, "reread")[:again])
    sequences = len(readers) * passes
    plan: list[Assignment] = []
    codes = _codes(seed, sequences * items + len(readers) * again)
    for place, reader in enumerate(readers):
        reads = _reads_of(place, base, chosen, passes, sequences, gap, seed)
        for order, (item, passage) in enumerate(reads, start=1):
            plan.append(Assignment(order, codes[len(plan)], item, reader, passage))
    return tuple(plan)


def _check(items: int, readers: Sequence[str], passes: int, reread: float, gap: int) -> None:
    if items < 1:
        msg = "There is no frame to read: give a folder or a table with frames."
        raise InputError(msg)
    if not readers or len(set(readers)) != len(readers) or not all(name.strip() for name in readers):
        given = ", ".join(filter(None, readers)) or "none"
        msg = f"Readers must have different codes, not {given}: name them once each, such as r1,r2."
        raise InputError(msg)
    if passes < 1:
        msg = f"passes is {passes}: every reader reads at least once."
        raise InputError(msg)
    if not 0 <= reread <= 1:
        msg = f"The share of frames to be read again is {reread:g}: give a number from 0 to 1."
        raise InputError(msg)
    repeats = passes > 1 or round(reread * items) > 0
    if gap < 0 or (repeats and gap > items - 1):
        msg = f"A gap of {gap} reads is not possible with {items} frames: give 0 to {items - 1}."
        raise InputError(msg)


def _drawn(values: Iterable[int], seed: str, label: str) -> list[int]:
    return sorted(values, key=lambda value: hashlib.sha256(f"{seed}\n{label}\n{value}".encode()).digest())


def _sequence(base: Sequence[int], number: int, sequences: int, seed: str, label: str) -> list[int]:
    """One balanced order: the blocks of the base order, turned by the sequence's number."""
    cuts = [round(index * len(base) / sequences) for index in range(sequences + 1)]
    blocks = [base[cuts[index] : cuts[index + 1]] for index in range(sequences)]
    turned = blocks[number:] + blocks[:number]
    return [item for index, block in enumerate(turned) for item in _drawn(block, seed, f"{label} {number} {index}")]


def _reads_of(
    place: int, base: Sequence[int], chosen: frozenset[int], passes: int, sequences: int, gap: int, seed: str
) -> list[tuple[int, int]]:
    """Put all reads of one reader in order, as (item, pass)."""
    # neighbouring sequences go to different readers, so that each reader's passes differ most
    numbers = [passage * (sequences // passes) + place for passage in range(passes)]
    orders = [_sequence(base, number, sequences, seed, "pass") for number in numbers]
    again = _drawn(chosen, seed, f"again {place}")
    for turn in range(_TRIES):
        ends = [*orders[:-1], orders[-1] if turn == 0 else _swapped(orders[-1], chosen, turn, seed)]
        try:
            return _placed([*ends, again], gap)
        except InputError:
            continue
    # the gap leaves no choice: the frames to be read again come first in every pass
    ends = [sorted(order, key=lambda item: item not in chosen) for order in orders]
    return _placed([*ends, again], gap)


def _placed(orders: Sequence[Sequence[int]], gap: int) -> list[tuple[int, int]]:
    reads: list[tuple[int, int]] = []
    last: dict[int, int] = {}
    for passage, order in enumerate(orders, start=1):
        reads += [(item, passage) for item in _spaced(order, len(reads), last, gap)]
    return reads


def _spaced(waiting: Sequence[int], start: int, last: dict[int, int], gap: int) -> list[int]:
    """Put items in order so that each is far enough from its last place; notes the new places in ``last``."""
    rest = list(waiting)
    done: list[int] = []
    while rest:
        here = start + len(done)
        pick = next((item for item in rest if item not in last or here - last[item] > gap), None)
        if pick is None:
            msg = f"A gap of {gap} reads leaves no frame for read {here + 1}: give a smaller gap."
            raise InputError(msg)
        rest.remove(pick)
        done.append(pick)
        last[pick] = here
    return done


def _swapped(waiting: Sequence[int], chosen: frozenset[int], turns: int, seed: str) -> list[int]:
    """Exchange the last re-read frames with drawn others that stand earlier, one more with each turn."""
    order = list(waiting)
    late = [index for index in range(len(order) - 1, -1, -1) if order[index] in chosen][:turns]
    free = [index for index, item in enumerate(order) if item not in chosen]
    for count, index in enumerate(late):
        earlier = [other for other in free if other < index]
        if earlier:
            other = _drawn(earlier, seed, f"swap {turns} {count}")[0]
            order[index], order[other] = order[other], order[index]
            free[free.index(other)] = index
    return order


def _codes(seed: str, count: int) -> list[str]:
    """Different codes; nobody can tell from a code what it stands for without the seed."""
    found: dict[str, None] = {}
    number = 0
    while len(found) < count:
        value = int.from_bytes(hashlib.sha256(f"{seed}\ncode\n{number}".encode()).digest(), "big")
        signs = []
        for _ in range(CODE_LENGTH):
            value, rest = divmod(value, len(ALPHABET))
            signs.append(ALPHABET[rest])
        found["".join(signs)] = None
        number += 1
    return list(found)


def item_codes(seed: str, count: int) -> list[str]:
    """Opaque codes of the frames themselves, longer than those of reads so that the two are not mixed up."""
    return [f"F{code}" for code in _codes(f"{seed}\nitems", count)]
