"""Undo and redo without limit: every state of the work, and where in them the desk stands."""

from __future__ import annotations

from dataclasses import dataclass

from ui.desk.work import Work


@dataclass(frozen=True, slots=True)
class State:
    """One state of the work, and what was done to get there, in words."""

    work: Work
    label: str
    merge: str = ""


class History:
    """States of the work from the first on; the only mutable store of the desk besides the journal.

    Parameters
    ----------
    first : Work
        Where it begins.
    """

    def __init__(self, first: Work) -> None:
        self._states = [State(first, "")]
        self._at = 0

    @property
    def work(self) -> Work:
        """The work as it stands."""
        return self._states[self._at].work

    @property
    def at(self) -> int:
        """How many steps lie behind."""
        return self._at

    @property
    def can_undo(self) -> bool:
        """True when there is a step to take back."""
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        """True when there is a step to do again."""
        return self._at < len(self._states) - 1

    @property
    def undo_label(self) -> str:
        """What undo would take back, in words."""
        return self._states[self._at].label

    @property
    def redo_label(self) -> str:
        """What redo would do again, in words."""
        return self._states[self._at + 1].label if self.can_redo else ""

    @property
    def states(self) -> tuple[State, ...]:
        """All states, undone ones included."""
        return tuple(self._states)

    def push(self, work: Work, label: str, merge: str = "") -> bool:
        """Add a step; undone ones are gone.

        Parameters
        ----------
        work : Work
            The new state.
        label : str
            What was done.
        merge : str
            Steps in a row with the same key become one, as when a number is turned up click by click.

        Returns
        -------
        bool
            False when nothing changed.
        """
        if work == self.work:
            return False
        del self._states[self._at + 1 :]
        here = self._states[self._at]
        if merge and here.merge == merge and self._at > 0:
            self._states[self._at] = State(work, label, merge)
        else:
            self._states.append(State(work, label, merge))
            self._at += 1
        return True

    def undo(self) -> bool:
        """Go one step back; False at the beginning."""
        if not self.can_undo:
            return False
        self._at -= 1
        return True

    def redo(self) -> bool:
        """Go one step forward again; False at the end."""
        if not self.can_redo:
            return False
        self._at += 1
        return True
