"""Measuring a list: what is done already is left alone, everything else is measured, entered and put into tables."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from qca import ALGORITHM_VERSION
from qca.batch.folder import Preview, sole_use
from qca.batch.jobs import Job, JobList
from qca.batch.plan import DEFAULTS, Options, is_wanted, plan
from qca.batch.pool import Pool
from qca.batch.progress import Progress
from qca.batch.standings import chunks, settled, write_list
from qca.batch.task import Outcome, Task, without_name
from qca.codec import encode
from qca.picks_file import picks_to_json
from qca.store import claims
from qca.store.drafts import picks_document
from qca.store.entry import Draft, Entry
from qca.store.errors import LedgerRule
from qca.store.ledger import Ledger
from qca.store.tables import Read

_TOGETHER = 16
"""Outcomes entered in one transaction, when so many are waiting."""

_GATHER_SECONDS = 0.02
"""How long outcomes are gathered: others who read the ledger get their turn between two transactions."""

_RENEW_SECONDS = claims.LEASE_SECONDS / 4


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


def run_batch(
    jobs: JobList,
    folder: Path,
    ledger: Ledger,
    make_pool: Callable[[int], Pool],
    *,
    options: Options = DEFAULTS,
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
        progress = Progress(jobs.count, before.measured, stream, refused=before.refused)
        run = _Run(jobs, ledger, options, progress, stopped)
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
        measured = write_list(jobs, ledger, folder, parquet=options.parquet)
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
        for chunk in chunks(jobs):
            known = settled(self.ledger, chunk)
            wanted = [job for job in chunk if is_wanted(job, known.get(job.key), self.options)]
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
                    elif is_wanted(job, known.get(job.key), self.options):
                        yield job
                    else:
                        self.progress.count(refused=known[job.key].reading is None)

    def _from_elsewhere(self) -> Iterator[Job]:
        """Wait for what another run is measuring, and take over what it gave up."""
        time.sleep(1.0)
        waiting, self.elsewhere = self.elsewhere, []
        known = settled(self.ledger, waiting)
        free = []
        for job in waiting:
            if is_wanted(job, known.get(job.key), self.options):
                free.append(job)
            else:
                self.progress.count(refused=known[job.key].reading is None)
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
