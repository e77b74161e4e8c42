"""Workers on this machine: processes that may die, hang or be killed without taking anything else with them."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import IO, Any, Protocol

from qca.batch.task import MEASURE, Outcome, Task
from qca.batch.worker import message_outcome, receive, send, task_message
from qca.errors import InputError

AHEAD = 2
"""Tasks that a worker has at a time: one in work, one waiting, so that it never waits for the parent."""

_STARTS = 4
"""A worker that dies so often before it is ready cannot be started here."""

_THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")


class Pool(Protocol):
    """Where tasks are measured."""

    @property
    def capacity(self) -> int:
        """How many tasks it wants to have at a time."""

    def submit(self, task: Task) -> None:
        """Hand over a task."""

    def result(self, timeout: float) -> Outcome | None:
        """Wait for the next outcome; None when the time is over."""

    def close(self) -> None:
        """End all work at once."""


@dataclass(slots=True, eq=False)
class _Worker:
    """One process and what it was given; the first task is in work once ``started`` is set."""

    process: subprocess.Popen[bytes]
    errors: IO[bytes]
    tasks: deque[Task] = field(default_factory=deque)
    started: float | None = None
    ready: bool = False
    timed_out: bool = False


def usable_cores() -> int:
    """Count the cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


class LocalPool:
    """Worker processes on this machine.

    Parameters
    ----------
    workers : int
        Number of processes.
    seconds : float
        Longest time for one frame; a worker that takes longer is killed.
    attempts : int
        How often a frame is tried when its worker dies. A frame that takes too long is not tried again.
    measure : str
        ``module:function`` that the workers call.
    """

    def __init__(self, workers: int, *, seconds: float, attempts: int = 2, measure: str = MEASURE) -> None:
        self._seconds, self._attempts, self._measure = seconds, attempts, measure
        self._waiting: deque[Task] = deque()
        self._tries: dict[str, int] = {}
        self._events: queue.SimpleQueue[tuple[_Worker, Any, bytes]] = queue.SimpleQueue()
        self._outcomes: deque[Outcome] = deque()
        self._failed_starts = 0
        self._workers = [self._start() for _ in range(workers)]
        self.deaths = 0

    @property
    def capacity(self) -> int:
        """Two tasks for each worker."""
        return AHEAD * len(self._workers)

    @property
    def process_ids(self) -> tuple[int, ...]:
        """Process numbers of the workers."""
        return tuple(worker.process.pid for worker in self._workers)

    def submit(self, task: Task) -> None:
        """Give a task to the worker with the fewest."""
        self._tries[task.key] = 1
        self._waiting.append(task)
        self._feed()

    def result(self, timeout: float) -> Outcome | None:
        """Wait for the next outcome.

        Raises
        ------
        InputError
            If workers cannot be started.
        """
        until = time.monotonic() + timeout
        while not self._outcomes:
            self._kill_late()
            left = until - time.monotonic()
            if left <= 0:
                return None
            with contextlib.suppress(queue.Empty):
                self._handle(*self._events.get(timeout=min(left, 0.2)))
        return self._outcomes.popleft()

    def close(self) -> None:
        """Kill all workers."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.process.wait()
            _close(worker)

    # ------------------------------------------------------------------------------------------------------------

    def _start(self) -> _Worker:
        environment = {
            **os.environ,
            **dict.fromkeys(_THREAD_VARIABLES, "1"),
            "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
        }
        errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the worker
        process = subprocess.Popen(  # noqa: S603 - our own module
            [sys.executable, "-P", "-m", "qca.batch.worker", self._measure],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            env=environment,
            start_new_session=True,  # Ctrl-C reaches the parent only, which then ends the workers
        )
        worker = _Worker(process, errors)
        threading.Thread(target=self._listen, args=(worker,), daemon=True).start()
        return worker

    def _listen(self, worker: _Worker) -> None:
        """Pass on what a worker says, and its end; runs in a thread of its own."""
        assert worker.process.stdout is not None  # noqa: S101 - it is a pipe
        try:
            while (message := receive(worker.process.stdout)) is not None:
                self._events.put((worker, *message))
        except (OSError, ValueError):
            worker.process.kill()  # it writes nonsense, or its pipe is gone
        worker.process.wait()
        self._events.put((worker, {"event": "gone"}, b""))

    def _handle(self, worker: _Worker, message: dict[str, Any], block: bytes) -> None:
        if worker not in self._workers:
            return
        event = message["event"]
        if event == "ready":
            worker.ready, self._failed_starts = True, 0
        elif event == "start":
            worker.started = time.monotonic()
        elif event == "done":
            task = worker.tasks.popleft()
            worker.started = None
            self._outcomes.append(message_outcome(message, block, self._tries.pop(task.key)))
        else:
            self._replace(worker)
        self._feed()

    def _feed(self) -> None:
        for depth in range(AHEAD):
            for worker in self._workers:
                if self._waiting and len(worker.tasks) == depth:
                    task = self._waiting.popleft()
                    worker.tasks.append(task)
                    assert worker.process.stdin is not None  # noqa: S101 - it is a pipe
                    with contextlib.suppress(OSError):  # it died: the listener says so
                        send(worker.process.stdin, task_message(task))

    def _kill_late(self) -> None:
        now = time.monotonic()
        for worker in self._workers:
            if worker.started is not None and now - worker.started > self._seconds and not worker.timed_out:
                worker.timed_out = True
                worker.process.kill()

    def _replace(self, worker: _Worker) -> None:
        """Put a new worker in the place of a dead one, and settle what it had."""
        code = worker.process.returncode
        running = worker.tasks.popleft() if worker.started is not None and worker.tasks else None
        self._waiting.extendleft(reversed(worker.tasks))
        if not worker.ready:
            self._failed_starts += 1
            if self._failed_starts >= _STARTS:
                raise InputError(_cannot_start(worker, code))
        _close(worker)
        self._workers[self._workers.index(worker)] = self._start()
        if running is None:
            return
        self.deaths += 1
        tries = self._tries[running.key]
        if not worker.timed_out and tries < self._attempts:
            self._tries[running.key] = tries + 1
            self._waiting.appendleft(running)
            return
        del self._tries[running.key]
        if worker.timed_out:
            kind, message = "time", f"It took longer than {self._seconds:g} s and was stopped; give it more time."
        else:
            kind, message = "crash", f"The worker process {_ended(code)} while it was measuring, {tries} times."
        self._outcomes.append(Outcome(running.key, kind, message, {}, None, tries))


def _close(worker: _Worker) -> None:
    for stream in (worker.process.stdin, worker.process.stdout, worker.errors):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()


def _ended(code: int | None) -> str:
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"was ended by signal {-code} ({signal.Signals(-code).name})"
    return f"ended with code {code}"


def _cannot_start(worker: _Worker, code: int | None) -> str:
    worker.errors.seek(0)
    lines: Sequence[str] = worker.errors.read().decode(errors="replace").strip().splitlines()
    said = f": {lines[-1][:200]}" if lines else ""
    return f"Worker processes cannot be started here, the last one {_ended(code)}{said}."
