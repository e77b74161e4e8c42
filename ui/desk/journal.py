"""Autosave: every step is on the disk before the next one can be made.

One file per measured file, JSON lines, only ever appended to. The first line names the file; then come steps
(``{"step": work, "label": ...}``), moves through them (``{"at": n}``) and saves (``{"saved": n}``). A line that a kill
cut short is left out when the journal is read again, and so is everything behind a line that is damaged.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from qca import codec
from qca.errors import InputError
from ui.desk.history import History, State
from ui.desk.work import Work

JOURNAL_SCHEMA = "qca.desk/1"


@dataclass(frozen=True, slots=True)
class Found:
    """What an earlier session left behind.

    Parameters
    ----------
    history : History
        All steps, undone ones included.
    saved : bool
        True when the work as it stood was saved.
    when : str
        Local date and time of the last step.
    """

    history: History
    saved: bool
    when: str


class Journal:
    """The autosave of one file.

    Parameters
    ----------
    folder : Path
        Where journals stand.
    file : Path
        The file that is measured.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """

    def __init__(self, folder: Path, file: Path) -> None:
        self.file = file
        resolved = str(file.resolve())
        self.path = folder / f"{hashlib.sha256(resolved.encode('utf-8', 'surrogateescape')).hexdigest()[:24]}.jsonl"
        self._steps = 0
        self.broken = ""

    def found(self) -> Found | None:
        """Read what is there; None when there is nothing that can be used."""
        if not self.path.exists():
            return None
        history, saved_at, when = None, -1, ""
        for entry in _entries(self.path):
            if "schema" in entry:
                if entry["schema"] != JOURNAL_SCHEMA:
                    return None
                history = History(_work(entry["step"]))
            elif history is None:
                return None
            elif "step" in entry:
                history.push(_work(entry["step"]), str(entry.get("label", "")), str(entry.get("merge", "")))
            elif "at" in entry:
                _go(history, int(entry["at"]))
            elif "saved" in entry:
                saved_at = int(entry["saved"])
            when = str(entry.get("time", when))
        if history is None:
            return None
        return Found(history, saved=history.at == saved_at, when=when)

    def begin(self, history: History, *, saved: bool = False) -> None:
        """Start the journal anew with a history."""
        first, *rest = history.states
        lines = [{"schema": JOURNAL_SCHEMA, "file": str(self.file), "step": codec.encode(first.work)}]
        lines += [_line(state) for state in rest]
        lines.append({"at": history.at})
        if saved:
            lines.append({"saved": history.at})
        self._write(lines, fresh=True)

    def step(self, state: State) -> None:
        """Append a step."""
        self._write([_line(state)])

    def moved(self, at: int) -> None:
        """Append that the desk stands at another step after undo or redo."""
        self._write([{"at": at}])

    def saved(self, at: int) -> None:
        """Append that the work was saved."""
        self._write([{"saved": at}])

    def _write(self, lines: list[dict[str, Any]], *, fresh: bool = False) -> None:
        """Put lines onto the disk. A failure is kept in ``broken``: the desk says so and asks before it closes."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        text = "".join(json.dumps({**line, "time": now}, ensure_ascii=True) + "\n" for line in lines)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if fresh:
                waiting = self.path.with_suffix(".part")
                _append(waiting, text, "w")
                waiting.replace(self.path)
            else:
                _append(self.path, text, "a")
        except OSError as error:
            self.broken = (
                f"The autosave cannot write into {self.path.parent} ({error.strerror}): save your work yourself."
            )
        else:
            self.broken = ""


def _append(path: Path, text: str, mode: str) -> None:
    with path.open(mode, encoding="ascii", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _line(state: State) -> dict[str, Any]:
    return {"step": codec.encode(state.work), "label": state.label, "merge": state.merge}


def _entries(path: Path) -> list[dict[str, Any]]:
    """Whole lines from the top, up to the first that cannot be read."""
    entries = []
    try:
        data = path.read_bytes()
    except OSError:
        return []
    for line in data.split(b"\n")[:-1]:
        try:
            entry = json.loads(line)
            if not isinstance(entry, dict) or not all(isinstance(entry.get(key, 0), int) for key in ("at", "saved")):
                break
            if "step" in entry:
                _work(entry["step"])
        except (ValueError, TypeError, InputError):
            break
        entries.append(entry)
    return entries


def _work(document: object) -> Work:
    work: Work = codec.decode_fields(Work, document, path="", name="the autosave")
    return work


def _go(history: History, at: int) -> None:
    while history.at > at and history.undo():
        pass
    while history.at < at and history.redo():
        pass
