"""One frame's work, as it is sent to a worker and as it comes back: plain JSON values and one block of bytes."""

from __future__ import annotations

import importlib
import json
import os
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from qca.errors import InputError, MeasurementError, PicksError, QcaError
from qca.picks import Picks
from qca.reading import Reading
from qca.settings import Settings
from qca.store.entry import Document

MeasureFile = Callable[[Path, Picks, Settings], Reading]
"""What a worker calls: open the file, measure the frame."""

MEASURE = "qca.batch.task:measure_file"
"""Where the real one is; tests name another."""


@dataclass(frozen=True, slots=True)
class Task:
    """One frame to be measured.

    Parameters
    ----------
    key : str
        Job.
    code : str
        Stands in the reading in place of the file's name.
    file : str
        Absolute path, the same on every machine.
    picks, settings : mapping
        As JSON values.
    """

    key: str
    code: str
    file: str
    picks: Mapping[str, Any]
    settings: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a task.

    Parameters
    ----------
    key : str
        Job.
    kind : str
        Empty for a reading; else ``input``, ``picks``, ``measurement``, ``crash`` or ``time``.
    message : str
        Why there is no reading.
    facts : mapping
        ``frame_sha256``, ``frame_index``, ``file_size``, ``file_mtime_ns``, ``seconds``, ``algorithm``, ``software``,
        and ``numbers``: what the tables need of the reading, so that the parent, who serves many workers, need not read
        all of it.
    reading : Document or None
        The text of reading.json.
    tries : int
        How often it was tried.
    """

    key: str
    kind: str
    message: str
    facts: Mapping[str, Any]
    reading: Document | None = None
    tries: int = 1


def measure_file(file: Path, picks: Picks, settings: Settings) -> Reading:
    """Open a frame and measure it."""
    from qca.frames.source import open_frame
    from qca.pipeline import measure

    return measure(open_frame(file, picks.frame), picks, settings)


def file_facts(path: Path) -> dict[str, int | None]:
    """Size and time of a file, to see later whether it changed; None when it is not there."""
    try:
        state = path.stat()
    except OSError:
        return {"file_size": None, "file_mtime_ns": None}
    return {"file_size": state.st_size, "file_mtime_ns": state.st_mtime_ns}


def find_measure(name: str) -> MeasureFile:
    """Import the function that ``module:function`` names."""
    module, _, attribute = name.partition(":")
    function: MeasureFile = getattr(importlib.import_module(module), attribute)
    return function


def perform(task: Task, measure: MeasureFile) -> Outcome:
    """Measure one frame; every error becomes an outcome.

    The reading names the code in place of the file, so that no file name reaches the ledger.
    """
    import time

    from qca import ALGORITHM_VERSION, __version__, codec
    from qca.document import reading_text
    from qca.picks_file import picks_from_json

    path = Path(task.file)
    facts: dict[str, Any] = file_facts(path)
    facts |= {"algorithm": ALGORITHM_VERSION, "software": __version__}
    started = time.perf_counter()
    try:
        picks = picks_from_json(dict(task.picks))
        settings = codec.decode(Settings, dict(task.settings), path="", name="settings")
        reading = measure(path, picks, settings)
        reading = replace(reading, frame=replace(reading.frame, file=task.code))
        text = reading_text(reading)
        document = Document.of(text)
    except QcaError as error:
        return Outcome(task.key, _kind(error), without_name(str(error), path), facts)
    except Exception as error:  # noqa: BLE001 - one frame's failure, whatever it is, must not stop the others
        return Outcome(task.key, "crash", _crash(error, path), facts)
    facts |= {
        "frame_sha256": reading.frame.sha256,
        "frame_index": reading.frame.index,
        "seconds": round(time.perf_counter() - started, 4),
        "numbers": _numbers(text),
    }
    return Outcome(task.key, "", "", facts, document)


def _numbers(text: str) -> dict[str, Any]:
    """Leave out of a reading what is long and in no table: profiles and settings."""
    document: dict[str, Any] = json.loads(text)
    for name in ("settings", "picks"):
        document.pop(name, None)
    for limb in document["limbs"].values():
        limb.pop("profile", None)
    return document


def without_name(message: str, path: Path) -> str:
    """Take file and folder names out of a message: they may hold a person's name."""
    for name in (str(path), path.as_posix(), path.name, str(path.parent)):
        if len(name) > 1:
            message = message.replace(name, "the file")
    return message


def _kind(error: QcaError) -> str:
    if isinstance(error, PicksError):
        return "picks"
    if isinstance(error, MeasurementError):
        return "measurement"
    return "input" if isinstance(error, InputError) else "crash"


def _crash(error: Exception, path: Path) -> str:
    """Say where in the program it happened, for a report to its makers; no text of the file."""
    frames = traceback.extract_tb(error.__traceback__)
    where = f" in {os.path.basename(frames[-1].filename)}, line {frames[-1].lineno}" if frames else ""  # noqa: PTH119
    words = without_name(str(error).splitlines()[0][:120], path) if str(error) else ""
    detail = f": {words}" if words else ""
    return (
        f"An error inside the program ({type(error).__name__}{where}{detail}); please report it with the frame's kind."
    )
