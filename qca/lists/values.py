"""The readings that count, out of a ledger: for the tables and for the reader statistics."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import InputError
from qca.lists.reading_list import open_list
from qca.lists.work import items
from qca.store.ledger import Ledger
from qca.store.quantities import values_of
from qca.store.rules import standing
from qca.store.tables import Read, read_of

if TYPE_CHECKING:
    from qca.agreement.observations import Observation

_NOT_COMPARED = frozenset({"medina_probability", "medina_distance"})
"""Numbers that follow from others."""


@dataclass(frozen=True, slots=True)
class KnownRead:
    """List, code, reader and pass of a read, and its item where the list was unblinded."""

    list_id: str
    code: str
    reader: str
    passage: int | None
    item: str
    blinded: bool


def read_names(ledger: Ledger, list_id: str | None = None) -> tuple[KnownRead, ...]:
    """Give every read of a ledger, or of one list, that has entries."""
    lists = {entry.list_id for entry in ledger.entries(list_id=list_id, kinds=("list_made",))}
    found: dict[tuple[str, str, str, int | None], None] = {}
    for entry in ledger.entries(list_id=list_id, kinds=("measured", "edited")):
        found[entry.list_id, entry.code, entry.reader, entry.passage] = None
    known = {name: items(name, ledger) for name in lists if list_id in (None, name)}
    return tuple(
        KnownRead(*key, known.get(key[0], {}).get(key[1], ""), key[0] in lists and not known.get(key[0]))
        for key in found
    )


def is_blinded(ledger: Ledger, list_id: str) -> bool:
    """Tell whether entries belong to a reading list whose key was not opened: nobody should meet its results."""
    made = any(entry.kind == "list_made" for entry in ledger.history(list_id, "", "", None))
    return made and not items(list_id, ledger)


def reads_that_count(ledger: Ledger, list_id: str | None = None, *, blinded: bool = True) -> Iterator[Read]:
    """Give the reading that stands for every read, one at a time; withdrawn ones are left out.

    Parameters
    ----------
    ledger : Ledger
        Where from.
    list_id : str or None
        Only of this list, when given.
    blinded : bool
        Those of lists that are still blinded, too.
    """
    for name in read_names(ledger, list_id):
        if name.blinded and not blinded:
            continue
        state, entry = standing(ledger.history(name.list_id, name.code, name.reader, name.passage))
        if entry is not None:
            yield read_of(entry, state, ledger.document(entry.reading_sha256), name.item)


def ledger_observations(place: str | None, folder: Path | None) -> tuple[tuple[Observation, ...], tuple[str, ...], str]:
    """Take the values of a ledger, or of one list of it, for the reader statistics.

    Parameters
    ----------
    place : str or None
        The ledger; None for the one that the list names.
    folder : Path or None
        The list; None for all reads of the ledger.

    Returns
    -------
    tuple
        Observations; sentences about what was left out; where they came from.

    Raises
    ------
    InputError
        If the list is not unblinded, or there are no readings.
    """
    from qca.agreement.observations import Observation

    listing = None if folder is None else open_list(folder)
    if listing is not None:
        opened = listing.open_ledger(place, readonly=True)
    elif place is not None:
        opened = Ledger(place, readonly=True)
    else:
        msg = "place or folder must be given"
        raise ValueError(msg)
    with opened as ledger:
        list_id = None if listing is None else listing.list_id
        names = read_names(ledger, list_id)
        hidden = [name for name in names if name.blinded]
        if hidden and listing is not None:
            msg = "This list is still blinded, so nobody knows which codes are one frame: run  qca list unblind  first."
            raise InputError(msg)
        observations: list[Observation] = []
        counts = {"open": 0, "locked": 0}
        for read in reads_that_count(ledger, list_id):
            entry = read.entry
            if any(name.blinded and name.list_id == entry.list_id for name in hidden):
                continue
            counts[read.state] = counts.get(read.state, 0) + 1
            item = read.item or f"{entry.list_id}/{entry.code}".strip("/")
            observations += [
                Observation(
                    item, entry.reader, entry.passage or 1, v.limb, v.quantity.name, v.quantity.unit, v.value, v.sd
                )
                for v in values_of(read.document)
                if v.quantity.name not in _NOT_COMPARED
            ]
        source = "the reading list" if listing is not None else "the ledger"
    notes = []
    if counts["open"]:
        notes.append(f"{counts['open']} readings are not locked and may still change.")
    if hidden:
        notes.append(f"{len(hidden)} reads of blinded lists are left out.")
    if not observations:
        msg = "There are no readings to compare: the ledger holds none that count, or all lists are blinded."
        raise InputError(msg)
    return tuple(observations), tuple(notes), source
