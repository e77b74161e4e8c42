"""From a reading to an entry: what the desk, the command line and a batch enter is formed in one place."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from qca import ALGORITHM_VERSION, __version__
from qca.codec import encode
from qca.document import reading_text
from qca.picks import Picks
from qca.picks_file import picks_to_json
from qca.reading import Reading
from qca.settings import Settings
from qca.store.entry import Document, Draft, json_line


@dataclass(frozen=True, slots=True)
class ReadName:
    """Which read an entry is about: list or study, opaque code, reader, pass."""

    code: str
    reader: str = ""
    passage: int | None = None
    list_id: str = ""

    def __str__(self) -> str:
        """Name it for a message."""
        reader = f" by {self.reader}" if self.reader else ""
        passage = f", pass {self.passage}" if self.passage is not None else ""
        return f"{self.code}{reader}{passage}"


def job_of(name: ReadName, picks: Picks, settings: Settings, frame: int | None) -> str:
    """Identity of a piece of work: the same code, reader, pass, frame number, picks, settings and algorithm.

    The file is not part of it, because it would have to be read to know; the entry holds its hash, size and time.
    """
    parts = {
        "read": [name.list_id, name.code, name.reader, name.passage],
        "frame": frame,
        "picks": picks_to_json(picks),
        "settings": encode(settings),
        "algorithm": ALGORITHM_VERSION,
    }
    return hashlib.sha256(json_line(parts).encode()).hexdigest()


def picks_document(picks: Picks) -> Document:
    """Wrap picks."""
    return Document.of(json_line(picks_to_json(picks)))


def reading_draft(
    reading: Reading,
    name: ReadName,
    *,
    actor: str,
    kind: str = "measured",
    job: str = "",
    detail: Mapping[str, object] | None = None,
) -> Draft:
    """Form the entry for a reading.

    Parameters
    ----------
    reading : Reading
        Measured now, by this version; its document is the text of reading.json.
    name : ReadName
        Which read it is.
    actor : str
        Who enters it.
    kind : str
        ``"measured"``, or ``"edited"`` when picks of an earlier entry were changed by hand.
    job : str
        See `job_of`; empty for work that may be repeated.
    detail : mapping or None
        Further facts.
    """
    return Draft(
        kind,
        actor,
        list_id=name.list_id,
        code=name.code,
        reader=name.reader,
        passage=name.passage,
        frame_sha256=reading.frame.sha256,
        frame_index=reading.frame.index,
        picks=picks_document(reading.picks),
        reading=Document.of(reading_text(reading)),
        software=__version__,
        algorithm=ALGORITHM_VERSION,
        job=job,
        detail=detail or {},
    )
