"""What a run of a list is asked to do, and which rows that leaves to be measured."""

from __future__ import annotations

from dataclasses import dataclass

from qca.batch.jobs import Job, JobList
from qca.batch.standings import Settled, chunks, settled
from qca.batch.task import file_facts
from qca.store.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Options:
    """How to measure.

    Parameters
    ----------
    retry : bool
        Measure again what earlier runs refused.
    actor : str
        Who enters the readings of rows without reader.
    parquet : bool
        Write Parquet tables too.
    """

    retry: bool = False
    actor: str = "batch"
    parquet: bool = False


DEFAULTS = Options()


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run would do.

    Parameters
    ----------
    total : int
        Rows of the list.
    measured, refused : int
        Settled by earlier runs.
    todo : int
        To be measured now.
    unusable : int
        Of these, rows that will be refused unread.
    """

    total: int
    measured: int
    refused: int
    todo: int
    unusable: int


def plan(jobs: JobList, ledger: Ledger | None, options: Options) -> Plan:
    """Tell what a run would do; changes nothing."""
    measured = refused = todo = unusable = 0
    for chunk in chunks(jobs.jobs()):
        known = {} if ledger is None else settled(ledger, chunk)
        for job in chunk:
            found = known.get(job.key)
            if is_wanted(job, found, options):
                todo += 1
                unusable += bool(job.problem) or not job.file.exists()
            elif found is not None and found.reading is not None:
                measured += 1
            else:
                refused += 1
    return Plan(jobs.count, measured, refused, todo, unusable)


def is_wanted(job: Job, found: Settled | None, options: Options) -> bool:
    """Tell whether a job is to be measured now."""
    if found is None:
        return True
    if found.reading is not None:
        return False
    if options.retry:
        return True
    # a file that was missing or broken, and has been put right, is tried again without being asked
    if found.refusal is not None and found.refusal.facts().get("kind") == "input" and not job.problem:
        then = {name: found.refusal.facts().get(name) for name in ("file_size", "file_mtime_ns")}
        return then != file_facts(job.file)
    return False
