"""How far a list is: what each reader has done, what comes next, and what a reader may see."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby

from qca.lists.reading_list import ListedRead, ReadingList
from qca.store.ledger import Ledger
from qca.store.rules import State, state_of

DONE: frozenset[State] = frozenset({"locked", "refused", "withdrawn"})
"""States in which a read waits for nobody; a withdrawn one only comes back when it is measured anew."""


@dataclass(frozen=True, slots=True)
class PassProgress:
    """One pass of one reader.

    Parameters
    ----------
    reader : str
        Reader code.
    passage : int
        Pass.
    total : int
        Reads.
    states : mapping
        State to number of reads.
    due_utc : datetime or None
        When the pass may begin, where the wash-out since the pass before is not over; None otherwise.
    """

    reader: str
    passage: int
    total: int
    states: Mapping[State, int]
    due_utc: datetime | None

    @property
    def left(self) -> int:
        """Reads that still want the reader."""
        return sum(count for state, count in self.states.items() if state not in DONE)


@dataclass(frozen=True, slots=True)
class Next:
    """What a reader does next.

    Parameters
    ----------
    read : ListedRead or None
        None when everything is done, or the wash-out is not over.
    state : str
        ``"none"``, or ``"open"`` for a read that has a reading and is not locked.
    number, total : int
        Place in the reader's sequence, and its length.
    due_utc : datetime or None
        When it may be read; None for now.
    clock : str
        What is odd about the clock; empty when nothing is.
    """

    read: ListedRead | None
    state: State
    number: int
    total: int
    due_utc: datetime | None = None
    clock: str = ""


def states(listing: ReadingList, ledger: Ledger) -> dict[str, State]:
    """State of every read that has entries, by code."""
    found: dict[str, State] = {}
    for (code, *_), events in groupby(ledger.events(listing.list_id), key=lambda event: event[:3]):
        if code:
            found[code] = state_of(event[3] for event in events)
    return found


def progress(listing: ReadingList, ledger: Ledger, *, now: datetime | None = None) -> tuple[PassProgress, ...]:
    """Tell how far each pass of each reader is.

    Parameters
    ----------
    listing : ReadingList
        The list.
    ledger : Ledger
        Its ledger.
    now : datetime or None
        With time zone; None for the clock.
    """
    known = states(listing, ledger)
    rows: dict[tuple[str, int], Counter[State]] = {}
    for read in listing.reads:
        rows.setdefault((read.reader, read.passage), Counter())[known.get(read.code, "none")] += 1
    when = now or datetime.now(UTC)
    result: list[PassProgress] = []
    for (reader, passage), counts in rows.items():
        due = None
        if passage > 1 and counts["none"] == counts.total():
            due = _due(listing, ledger, reader, passage)
        result.append(PassProgress(reader, passage, counts.total(), dict(counts), due if due and due > when else None))
    return tuple(result)


def next_read(
    listing: ReadingList, ledger: Ledger, reader: str, *, now: datetime | None = None, early: bool = False
) -> Next:
    """Tell what a reader does next: the first read in order that is neither locked nor refused nor withdrawn.

    So a pass begins only when every read of the pass before is done, and `washout_days` after the last of them.

    Parameters
    ----------
    listing : ReadingList
        The list.
    ledger : Ledger
        Its ledger.
    reader : str
        Who asks.
    now : datetime or None
        With time zone; None for the clock.
    early : bool
        Do not wait for the wash-out; the coordinator's decision.

    Raises
    ------
    InputError
        If the reader is not on the list.
    """
    mine = listing.of(reader)
    known = states(listing, ledger)
    when = now or datetime.now(UTC)
    clock = _clock(ledger, when)
    read = next((read for read in mine if known.get(read.code, "none") not in DONE), None)
    if read is None:
        return Next(None, "none", len(mine), len(mine), clock=clock)
    state = known.get(read.code, "none")
    begun = any(other.passage == read.passage and known.get(other.code, "none") != "none" for other in mine)
    if read.passage > 1 and not begun and not early:
        due = _due(listing, ledger, reader, read.passage)
        if due is not None and due > when:
            return Next(None, "none", read.order, len(mine), due, clock)
    return Next(read, state, read.order, len(mine), clock=clock)


def may_see(listing: ReadingList, ledger: Ledger, code: str, reader: str) -> bool:
    """Tell whether a reader may look at the results of a read.

    Nobody sees another reader's results before the list is unblinded. A reader sees the own read that is not locked,
    and the locked ones when all own reads are done: only then both reads of any frame are locked, and the reader does
    not know which codes belong together.
    """
    if is_unblinded(listing, ledger):
        return True
    read = listing.read(code)
    if read.reader != reader:
        return False
    known = states(listing, ledger)
    if known.get(code, "none") != "locked":
        return True
    return all(known.get(other.code, "none") in DONE for other in listing.of(reader))


def is_unblinded(listing: ReadingList, ledger: Ledger) -> bool:
    """Tell whether the key was opened."""
    return any(entry.kind == "unblinded" for entry in ledger.history(listing.list_id, "", "", None))


def _due(listing: ReadingList, ledger: Ledger, reader: str, passage: int) -> datetime | None:
    """When the pass may begin: the wash-out after the last reading of the pass before."""
    last = max(
        (
            entry.time_utc
            for entry in ledger.entries(list_id=listing.list_id, reader=reader, kinds=("measured", "edited"))
            if entry.passage == passage - 1
        ),
        default=None,
    )
    return None if last is None else _time(last) + timedelta(days=listing.washout_days)


def _clock(ledger: Ledger, now: datetime) -> str:
    """Say so when this clock is behind the record: days of wash-out would be counted from the future."""
    last = ledger.head().time_utc
    if last and _time(last) > now + timedelta(minutes=5):
        return f"This machine's clock is behind the last entry of the ledger ({last}): check it before you go on."
    return ""


def _time(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%f%z")
