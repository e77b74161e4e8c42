"""What the ledger knows of each row of a list: its reading, its refusal or nothing; and the tables made from it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from qca.batch.jobs import Job, JobList
from qca.store.entry import Entry
from qca.store.ledger import Ledger
from qca.store.rules import State, standing
from qca.store.table_files import write_tables
from qca.store.tables import Read, read_of

_CHUNK = 200
"""Rows looked up in the ledger at a time."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A job that the ledger knows: the entry that counts, or the last refusal."""

    state: State
    reading: Entry | None
    refusal: Entry | None


def settled(ledger: Ledger, jobs: Sequence[Job]) -> dict[str, Settled]:
    """Look up which jobs have a reading or a refusal."""
    by_job: dict[str, list[Entry]] = {}
    for entry in ledger.entries_of_jobs([job.key for job in jobs]):
        by_job.setdefault(entry.job, []).append(entry)
    found: dict[str, Settled] = {}
    for job in jobs:
        entries = by_job.get(job.key, [])
        measured = next((entry for entry in reversed(entries) if entry.kind == "measured"), None)
        if measured is not None:
            found[job.key] = Settled("open", measured, None)
        elif entries:
            found[job.key] = Settled("refused", None, entries[-1])
    return found


def chunks(jobs: Iterator[Job]) -> Iterator[list[Job]]:
    """Take jobs in as many at a time as are looked up together."""
    while chunk := list(itertools.islice(jobs, _CHUNK)):
        yield chunk


def write_list(jobs: JobList, ledger: Ledger, folder: Path, *, parquet: bool) -> int:
    """Write the tables of the whole list, in its order, from the ledger."""
    return write_tables(folder, _reads(jobs, ledger), refused=_refusals(jobs, ledger), parquet=parquet)


def _reads(jobs: JobList, ledger: Ledger) -> Iterator[Read]:
    for _, known in _standings(jobs, ledger):
        for state, entry in known:
            if entry is not None and not isinstance(entry, Settled):
                yield read_of(entry, state, ledger.document(entry.reading_sha256))


def _standings(jobs: JobList, ledger: Ledger) -> Iterator[tuple[list[Job], list[tuple[State, Entry | Settled | None]]]]:
    """Tell for each job what stands: the entry of its reading, what is known instead, or None for a withdrawn one."""
    for chunk in chunks(jobs.jobs()):
        known = settled(ledger, chunk)
        histories = ledger.histories(chunk[0].name.list_id, [job.name.code for job in chunk])
        standings: list[tuple[State, Entry | Settled | None]] = []
        for job in chunk:
            found = known.get(job.key, Settled("none", None, None))
            if found.reading is None:
                standings.append((found.state, found))
            else:
                name = job.name
                history = histories[name.list_id, name.code, name.reader, name.passage]
                standings.append(standing(_own(history, found.reading)))
        yield chunk, standings


def _own(history: Sequence[Entry], measured: Entry) -> list[Entry]:
    """Give the entries that belong to a job's reading, until the read was measured otherwise."""
    start = next(index for index, entry in enumerate(history) if entry.seq == measured.seq)
    own = [history[start]]
    own += itertools.takewhile(lambda entry: entry.kind != "measured", history[start + 1 :])
    return own


def _refusals(jobs: JobList, ledger: Ledger) -> Iterator[tuple[object, ...]]:
    for chunk, known in _standings(jobs, ledger):
        for job, (_, found) in zip(chunk, known, strict=True):
            head = (job.name.code, job.name.reader, job.name.passage, job.line)
            if found is None:
                yield (*head, "withdrawn", "The reading was withdrawn, see the ledger.", 0)
            elif isinstance(found, Settled) and found.refusal is not None:
                facts = found.refusal.facts()
                yield (*head, facts.get("kind"), found.refusal.reason, facts.get("tries"))
            elif isinstance(found, Settled):
                yield (*head, "stopped", "Not measured yet: start the same line again.", 0)
