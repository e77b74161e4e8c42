"""Measuring a list: what is done already is left alone, everything else is measured, entered and put into tables."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from qca import ALGORITHM_VERSION
from qca.batch.folder import Preview, sole_use
from qca.batch.jobs import Job, JobList
from qca.batch.pool import Pool
from qca.batch.progress import Progress
from qca.batch.task import Outcome, Task, file_facts, without_name
from qca.codec import encode
from qca.picks_file import picks_to_json
from qca.store import claims
from qca.store.drafts import picks_document
from qca.store.entry import Draft, Entry
from qca.store.errors import LedgerRule
from qca.store.ledger import Ledger
from qca.store.rules import State, standing
from qca.store.table_files import write_tables
from qca.store.tables import Read, read_of

_CHUNK = 200
"""Rows looked up in the ledger at a time."""

_TOGETHER = 16
"""Outcomes entered in one transaction, when so many are waiting."""

_GATHER_SECONDS = 0.02
"""How long outcomes are gathered: others who read the ledger get their turn between two transactions."""

_RENEW_SECONDS = claims.LEASE_SECONDS / 4


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


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run did.

    Parameters
    ----------
    total : int
        Rows of the list.
    measured : int
        Rows with a reading in the tables.
    refused : int
        Rows without.
    new : int
        Readings made by this run.
    left : int
        Rows not settled, because the run was stopped.
    """

    total: int
    measured: int
    refused: int
    new: int
    left: int


@dataclass(frozen=True, slots=True)
class Settled:
    """A job that the ledger knows: the entry that counts, or the last refusal."""

    state: State
    reading: Entry | None
    refusal: Entry | None


def plan(jobs: JobList, ledger: Ledger | None, options: Options) -> Plan:
    """Tell what a run would do; changes nothing."""
    measured = refused = todo = unusable = 0
    for chunk in _chunks(jobs.jobs()):
        known = {} if ledger is None else settled(ledger, chunk)
        for job in chunk:
            found = known.get(job.key)
            if _wanted(job, found, options):
                todo += 1
                unusable += bool(job.problem) or not job.file.exists()
            elif found is not None and found.reading is not None:
                measured += 1
            else:
                refused += 1
    return Plan(jobs.count, measured, refused, todo, unusable)


def run_batch(
    jobs: JobList,
    folder: Path,
    ledger: Ledger,
    make_pool: Callable[[int], Pool],
    *,
    options: Options = Options(),
    stream: TextIO | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Summary:
    """Measure what is not settled, and write the tables of the whole list.

    Parameters
    ----------
    jobs : JobList
        The list, checked.
    folder : Path
        For the tables.
    ledger : Ledger
        The record; several runs on several machines may share it.
    make_pool : callable
        Gives the workers when there is work for them; its argument is the number of frames.
    options : Options
        How.
    stream : text file or None
        For progress.
    stopped : callable
        Asked often; when it says True, the run enters what it has and ends.

    Returns
    -------
    Summary
        What was done.

    Raises
    ------
    InputError
        If folder, ledger or workers fail as a whole. What was entered stays; starting again goes on from there.
    """
    with sole_use(folder):
        before = plan(jobs, ledger, options)
        run = _Run(jobs, ledger, options, Progress(jobs.count, before.measured + before.refused, stream), stopped)
        if before.todo:
            preview = Preview(folder)
            whole = False
            try:
                run.measure(make_pool(before.todo), preview)
                whole = True
            finally:
                preview.close(remove=whole)
        if stream is not None and before.todo:
            run.progress.write(final=True)
        measured = _write_tables(jobs, ledger, folder, parquet=options.parquet)
        left = run.left
        return Summary(jobs.count, measured, jobs.count - measured - left, run.new, left)


class _Run:
    """One run; holds the frames in work, nothing that grows with the list."""

    def __init__(
        self, jobs: JobList, ledger: Ledger, options: Options, progress: Progress, stopped: Callable[[], bool]
    ) -> None:
        self.jobs, self.ledger, self.options, self.progress = jobs, ledger, options, progress
        self.stopped = stopped
        self.owner = claims.this_process()
        self.settings = encode(jobs.settings)
        self.working: dict[str, Job] = {}
        self.elsewhere: list[Job] = []
        self.finished: list[str] = []
        self.new = self.left = 0
        self.renewed = time.monotonic()

    def measure(self, pool: Pool, preview: Preview) -> None:
        """Keep the workers busy until nothing is left."""
        self.preview = preview
        try:
            source = self._claimed(self._unsettled(self.jobs.jobs()))
            while True:
                self._fill(pool, source)
                if self.stopped():
                    break
                if self.working:
                    self._take_in(pool)
                elif not self.elsewhere:
                    break
                else:
                    source = self._from_elsewhere()
            self.left = len(self.working) + len(self.elsewhere) + (sum(1 for _ in source) if self.stopped() else 0)
        finally:
            pool.close()
            claims.give_back(self.ledger, [*self.finished, *self.working], self.owner)

    def _unsettled(self, jobs: Iterator[Job]) -> Iterator[list[Job]]:
        for chunk in _chunks(jobs):
            known = settled(self.ledger, chunk)
            wanted = [job for job in chunk if _wanted(job, known.get(job.key), self.options)]
            if wanted:
                yield wanted

    def _claimed(self, chunks: Iterator[list[Job]]) -> Iterator[Job]:
        """Give the jobs that are ours to do, claiming few at a time so that other machines find work too."""
        for chunk in chunks:
            for start in range(0, len(chunk), _TOGETHER):
                group = chunk[start : start + _TOGETHER]
                if self.stopped():
                    yield from group
                    continue
                granted = claims.take(self.ledger, [job.key for job in group], self.owner)
                # another machine may have finished one between our look and our claim
                known = settled(self.ledger, [job for job in group if job.key in granted])
                for job in group:
                    if job.key not in granted:
                        self.elsewhere.append(job)
                    elif _wanted(job, known.get(job.key), self.options):
                        yield job
                    else:
                        self.progress.count(refused=False)

    def _from_elsewhere(self) -> Iterator[Job]:
        """Wait for what another run is measuring, and take over what it gave up."""
        time.sleep(1.0)
        waiting, self.elsewhere = self.elsewhere, []
        known = settled(self.ledger, waiting)
        free = [job for job in waiting if _wanted(job, known.get(job.key), self.options)]
        for _ in range(len(waiting) - len(free)):
            self.progress.count(refused=False)
        return self._claimed(iter([free] if free else []))

    def _fill(self, pool: Pool, source: Iterator[Job]) -> None:
        while len(self.working) < pool.capacity and not self.stopped():
            job = next(source, None)
            if job is None:
                return
            if job.problem:
                self._enter([Outcome(job.key, job.kind, job.problem, {})], {job.key: job})
                continue
            self.working[job.key] = job
            pool.submit(Task(job.key, job.name.code, str(job.file.absolute()), picks_to_json(job.picks), self.settings))

    def _take_in(self, pool: Pool) -> None:
        outcomes: list[Outcome] = []
        try:
            outcome = pool.result(1.0)
            until = time.monotonic() + _GATHER_SECONDS
            while outcome is not None:
                outcomes.append(outcome)
                outcome = pool.result(max(until - time.monotonic(), 0.0)) if len(outcomes) < _TOGETHER else None
        finally:
            # whatever becomes of the workers, what they have given us is entered
            if outcomes:
                self._enter(outcomes, self.working)
            for each in outcomes:
                self.working.pop(each.key, None)
        if time.monotonic() - self.renewed > _RENEW_SECONDS:
            claims.renew(self.ledger, self.owner)
            claims.give_back(self.ledger, self.finished, self.owner)
            self.finished, self.renewed = [], time.monotonic()

    def _enter(self, outcomes: Sequence[Outcome], jobs: dict[str, Job]) -> None:
        drafts = [self._draft(each, jobs[each.key]) for each in outcomes]
        try:
            entries: list[Entry | None] = list(self.ledger.append(*drafts))
        except LedgerRule:
            entries = [self._enter_one(draft) for draft in drafts]
        for each, entry in zip(outcomes, entries, strict=True):
            self.finished.append(each.key)
            refused = entry is None or entry.kind == "refused"
            self.new += not refused
            if each.reading is not None and entry is not None and not refused:
                self.preview.add(Read(entry, "open", each.facts["numbers"]))
            self.progress.count(refused=refused)
            if refused:
                self.progress.say(f"{jobs[each.key].name}: {entry.reason if entry is not None else each.message}")

    def _enter_one(self, draft: Draft) -> Entry | None:
        """Enter a draft by itself; what the rules forbid is said and left out, such as a read locked meanwhile."""
        try:
            return self.ledger.append(draft)[0]
        except LedgerRule as error:
            self.progress.say(str(error))
            return None

    def _draft(self, outcome: Outcome, job: Job) -> Draft:
        detail: dict[str, object] = {"tries": outcome.tries, "line": job.line}
        for name in ("file_size", "file_mtime_ns", "seconds"):
            if name in outcome.facts:
                detail[name] = outcome.facts[name]
        if outcome.kind:
            detail["kind"] = outcome.kind
        return Draft(
            "refused" if outcome.kind else "measured",
            actor=job.name.reader or self.options.actor,
            list_id=job.name.list_id,
            code=job.name.code,
            reader=job.name.reader,
            passage=job.name.passage,
            frame_sha256=str(outcome.facts.get("frame_sha256", "")),
            frame_index=outcome.facts.get("frame_index", job.picks.frame),
            picks=None if job.problem else picks_document(job.picks),
            reading=outcome.reading,
            software=str(outcome.facts.get("software", "")),
            algorithm=str(outcome.facts.get("algorithm", ALGORITHM_VERSION)),
            job=job.key,
            reason=without_name(outcome.message, job.file) if outcome.kind else "",
            detail=detail,
        )


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


def _wanted(job: Job, found: Settled | None, options: Options) -> bool:
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


def _chunks(jobs: Iterator[Job]) -> Iterator[list[Job]]:
    while chunk := list(itertools.islice(jobs, _CHUNK)):
        yield chunk


def _write_tables(jobs: JobList, ledger: Ledger, folder: Path, *, parquet: bool) -> int:
    """Write the tables of the whole list, in its order, from the ledger."""
    return write_tables(folder, _reads(jobs, ledger), refused=_refusals(jobs, ledger), parquet=parquet)


def _reads(jobs: JobList, ledger: Ledger) -> Iterator[Read]:
    for _, known in _standings(jobs, ledger):
        for state, entry in known:
            if entry is not None and not isinstance(entry, Settled):
                yield read_of(entry, state, ledger.document(entry.reading_sha256))


def _standings(jobs: JobList, ledger: Ledger) -> Iterator[tuple[list[Job], list[tuple[State, Entry | Settled | None]]]]:
    """Tell for each job what stands: the entry of its reading, what is known instead, or None for a withdrawn one."""
    for chunk in _chunks(jobs.jobs()):
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
