"""All cases through the measurement and the comparator, on all cores."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from qca.errors import QcaError
from qca.one_thread import one_thread
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.validation.case import Case
from qca.validation.job import DrawnJob, Job
from qca.validation.processes import in_processes
from qca.validation.value import Method, Value, plain_values, reading_values


@dataclass(frozen=True, slots=True)
class Trait:
    """Traits of one case, kept when its frame is gone; ``level`` marks a phantom drawn at a set number of quanta."""

    case: str
    difficulty: str
    level: bool
    numbers: dict[str, float]
    places: dict[str, str]


@dataclass(frozen=True, slots=True)
class Refusal:
    """A case without a reading: ``kind`` is the error's name, and ``expected`` tells a refusal from a crash."""

    case: str
    method: Method
    kind: str
    message: str
    expected: bool


@dataclass(frozen=True, slots=True)
class Results:
    """Everything of one run: values, traits, refusals, seconds per case and method."""

    values: tuple[Value, ...]
    traits: tuple[Trait, ...]
    refusals: tuple[Refusal, ...]
    seconds: tuple[tuple[str, Method, float], ...]


def run(
    jobs: Sequence[Job],
    *,
    workers: int | None = None,
    comparator: bool = True,
    bounds: bool = True,
    settings: Settings = DEFAULT_SETTINGS,
    progress: Callable[[int, int], None] | None = None,
) -> Results:
    """Measure all jobs.

    Parameters
    ----------
    jobs : sequence of Job
        What to measure.
    workers : int or None
        Processes; None takes all cores. One runs in this process.
    comparator, bounds : bool
        Also run the off-the-shelf pipeline; also compute information bounds where a phantom has one.
    settings : Settings
        Settings of every measurement.
    progress : callable or None
        Called with (done, all) after each case.

    Returns
    -------
    Results
        In the order of the jobs, whatever the number of processes.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    count = workers if workers is not None else (os.cpu_count() or 1)
    parts: list[Results] = []
    for part in in_processes(partial(_measure, (comparator, bounds, settings)), jobs, min(count, len(jobs))):
        parts.append(part)
        if progress is not None:
            progress(len(parts), len(jobs))
    return Results(
        tuple(value for part in parts for value in part.values),
        tuple(trait for part in parts for trait in part.traits),
        tuple(refusal for part in parts for refusal in part.refusals),
        tuple(entry for part in parts for entry in part.seconds),
    )


def _measure(options: tuple[bool, bool, Settings], job: Job) -> Results:
    return measure_job(job, *options)


def measure_job(job: Job, comparator: bool, bounds: bool, settings: Settings) -> Results:  # noqa: FBT001
    """Measure one job with both methods."""
    with one_thread():
        return _measured(job, comparator=comparator, bounds=bounds, settings=settings)


def _measured(job: Job, *, comparator: bool, bounds: bool, settings: Settings) -> Results:
    from qca.pipeline import measure
    from qca.validation.off_the_shelf import read_plainly

    case = job.case()
    values: list[Value] = []
    refusals: list[Refusal] = []
    seconds: list[tuple[str, Method, float]] = []
    started = time.perf_counter()
    try:
        reading = measure(case.frame, case.picks, settings)
    except Exception as error:  # noqa: BLE001 - a crash on one frame is a result of the validation, and is counted
        refusals.append(_refusal(case, "joint fit", error))
    else:
        seconds.append((case.name, "joint fit", time.perf_counter() - started))
        values += reading_values(case, reading)
    if comparator:
        started = time.perf_counter()
        try:
            plain = read_plainly(case.frame, case.picks)
        except Exception as error:  # noqa: BLE001 - the same
            refusals.append(_refusal(case, "off the shelf", error))
        else:
            seconds.append((case.name, "off the shelf", time.perf_counter() - started))
            values += plain_values(case, plain)
    if bounds:
        values = list(_with_bounds(case, values))
    places = {name: limb.place for name, limb in case.target.limbs.items()}
    numbers = dict(case.traits)
    if case.target.angles_deg is not None:
        numbers["angle_b_deg"] = case.target.angles_deg["B"]
    level = isinstance(job, DrawnJob) and job.photons_per_px is not None
    trait = Trait(case.name, case.difficulty, level, numbers, {name: str(place) for name, place in places.items()})
    return Results(tuple(values), (trait,), tuple(refusals), tuple(seconds))


def _refusal(case: Case, method: Method, error: Exception) -> Refusal:
    from qca.validation.off_the_shelf import NothingTraced

    expected = isinstance(error, QcaError | NothingTraced)
    return Refusal(case.name, method, type(error).__name__, str(error), expected)


def _with_bounds(case: Case, values: Sequence[Value]) -> Iterator[Value]:
    """Put the information bound beside every number that has one; the scale's error is in none of them."""
    from qca.validation.efficiency import bounded, phantom_bounds

    if case.recipe is None or case.difficulty or not bounded(case.recipe):
        yield from values
        return
    found = phantom_bounds(case.recipe)
    for value in values:
        bound = found.get(value.where)
        sd = None
        if bound is not None:
            sd = {
                "mld_scale_apart_mm": bound.mld_mm,
                "reference_scale_apart_mm": bound.reference_mm,
                "ds_percent": bound.ds_percent,
            }.get(value.quantity)
        yield value if sd is None else replace(value, bound_sd=sd)
