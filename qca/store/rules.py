"""What may be entered when: the life of one read, from its entries.

A read is one code by one reader in one pass. Its entries, in order, tell its state; an entry that comes too late (by a
merge, after a lock) stays in the record and changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from qca.store.entry import REASON_DUE, Draft, Entry
from qca.store.errors import LedgerRule

State = Literal["none", "open", "locked", "withdrawn", "refused"]

CONTENT_KINDS = frozenset({"measured", "edited"})

STEP: dict[tuple[State, str], State] = {
    ("none", "measured"): "open",
    ("none", "edited"): "open",
    ("none", "refused"): "refused",
    ("open", "measured"): "open",
    ("open", "edited"): "open",
    ("open", "refused"): "open",
    ("open", "locked"): "locked",
    ("open", "withdrawn"): "withdrawn",
    ("refused", "measured"): "open",
    ("refused", "edited"): "open",
    ("refused", "refused"): "refused",
    ("refused", "locked"): "locked",
    ("refused", "withdrawn"): "withdrawn",
    ("locked", "unlocked"): "open",
    ("locked", "withdrawn"): "withdrawn",
    ("withdrawn", "measured"): "open",
    ("withdrawn", "edited"): "open",
    ("withdrawn", "refused"): "refused",
}
"""State and kind to next state; what is not here is not allowed, and ignored where a merge brought it."""


def state_of(kinds: Iterable[str]) -> State:
    """State of a read from the kinds of its entries, in order."""
    state: State = "none"
    for kind in kinds:
        state = STEP.get((state, kind), state)
    return state


def standing(history: Sequence[Entry]) -> tuple[State, Entry | None]:
    """State of a read, and the entry whose reading counts.

    Returns
    -------
    tuple
        The entry is None when there is no reading, or it was withdrawn. A locked refusal has none.
    """
    state: State = "none"
    counts: Entry | None = None
    for entry in history:
        step = STEP.get((state, entry.kind))
        if step is None:
            continue
        if entry.kind in CONTENT_KINDS:
            counts = entry
        elif entry.kind == "withdrawn":
            counts = None
        state = step
    return state, counts


def check(draft: Draft, history: Sequence[Entry], *, job_entered: bool) -> None:
    """Refuse a draft that the record does not allow.

    Parameters
    ----------
    draft : Draft
        What somebody wants to enter.
    history : sequence of Entry
        Entries about the same read, or list.
    job_entered : bool
        Whether this piece of batch work has a reading already.

    Raises
    ------
    LedgerRule
        One sentence: what, and what to do.
    """
    if draft.kind in REASON_DUE and not draft.reason.strip():
        msg = f"An entry '{draft.kind}' needs a reason: say why."
        raise LedgerRule(msg)
    if draft.kind == "measured" and job_entered:
        msg = f"{_name(draft)} was measured already with these picks and settings: it is not entered twice."
        raise LedgerRule(msg)
    if draft.kind == "list_made":
        if any(entry.kind == "list_made" for entry in history):
            msg = f"The reading list {draft.list_id} is in this ledger already."
            raise LedgerRule(msg)
        return
    if draft.kind in ("unblinded", "merged"):
        return
    if not draft.code:
        msg = f"An entry '{draft.kind}' must name the code it is about."
        raise LedgerRule(msg)
    state = state_of(entry.kind for entry in history)
    if (state, draft.kind) not in STEP:
        raise LedgerRule(_refusal(draft, state))


def _refusal(draft: Draft, state: State) -> str:
    name = _name(draft)
    if state == "locked":
        if draft.kind == "locked":
            return f"{name} is locked already."
        return f"{name} is locked: unlock it first, with a reason."
    if draft.kind == "locked":
        return f"{name} has nothing to lock: " + (
            "its reading was withdrawn." if state == "withdrawn" else "it has not been measured."
        )
    if draft.kind == "unlocked":
        return f"{name} is not locked."
    return f"{name} has no reading to withdraw."


def _name(draft: Draft) -> str:
    passage = f", pass {draft.passage}" if draft.passage is not None else ""
    reader = f" by {draft.reader}" if draft.reader else ""
    return f"{draft.code}{reader}{passage}"
