"""Workers of an existing Dask cluster.

Each thread of a Dask worker keeps one process of its own, as the local pool does, so that a frame that crashes or hangs
costs that process and not the Dask worker. If a whole Dask worker dies, the scheduler gives its frames to another one.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from concurrent.futures import CancelledError
from typing import Any

from qca import ALGORITHM_VERSION
from qca.batch.pool import AHEAD, LocalPool
from qca.batch.task import MEASURE, Outcome, Task
from qca.batch.worker import message_outcome, outcome_message, task_message
from qca.errors import InputError

CONNECT_SECONDS = 15
_COUNT_SECONDS = 5.0

_MINE = threading.local()


def measure_on_worker(
    task: dict[str, Any], seconds: float, attempts: int, measure: str
) -> tuple[dict[str, Any], bytes, int]:
    """Measure one frame in this thread's own process; runs on a Dask worker."""
    pool: LocalPool | None = getattr(_MINE, "pool", None)
    if pool is None or _MINE.options != (seconds, attempts, measure):
        if pool is not None:
            pool.close()
        pool = LocalPool(1, seconds=seconds, attempts=attempts, measure=measure)
        _MINE.pool, _MINE.options = pool, (seconds, attempts, measure)
    pool.submit(Task(**task))
    while (outcome := pool.result(60.0)) is None:
        pass
    return (*outcome_message(outcome), outcome.tries)


class ClusterPool:
    """A Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, e.g. ``tcp://host:8786``.
    seconds, attempts, measure
        As for `LocalPool`.

    Raises
    ------
    InputError
        If no scheduler answers there, or it has no workers.
    """

    def __init__(self, address: str, *, seconds: float, attempts: int = 2, measure: str = MEASURE) -> None:
        from distributed import Client

        for name in [*logging.root.manager.loggerDict, "distributed"]:
            if name.split(".")[0] == "distributed":
                logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # we say it in one sentence
        self._options = (seconds, attempts, measure)
        self._address = address
        try:
            self._client: Any = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
        except (OSError, TimeoutError, ValueError, RuntimeError) as error:
            msg = f"No Dask scheduler answers at {address[:80]}: check the address (tcp://host:8786) and that it runs."
            raise InputError(msg) from error
        self._counted = (-math.inf, 0)
        if not self._threads():
            self._client.close()
            msg = f"The Dask scheduler at {address[:80]} has no workers: start some (dask worker {address[:80]})."
            raise InputError(msg)
        self._done: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._futures: dict[str, Any] = {}

    def _threads(self) -> int:
        """Count the cluster's threads, not more often than every few seconds: each time is a question over the net."""
        when, count = self._counted
        if time.monotonic() - when > _COUNT_SECONDS:
            try:
                count = sum(int(n) for n in self._client.nthreads().values())
            except (CancelledError, OSError, TimeoutError, RuntimeError) as error:
                raise self._gone() from error
            self._counted = (time.monotonic(), count)
        return count

    @property
    def capacity(self) -> int:
        """Two tasks for each thread of the cluster, as it is now."""
        return AHEAD * max(self._threads(), 1)

    def submit(self, task: Task) -> None:
        """Send a task; the scheduler chooses where."""
        # pure=False: the same frame may be asked for again after a failure
        future = self._client.submit(
            measure_on_worker, task_message(task), *self._options, pure=False, retries=self._options[1] - 1
        )
        self._futures[task.key] = future
        future.add_done_callback(lambda done, key=task.key: self._done.put((key, done)))

    def result(self, timeout: float) -> Outcome | None:
        """Wait for the next outcome.

        Raises
        ------
        InputError
            If the cluster is gone.
        """
        try:
            key, future = self._done.get(timeout=timeout)
        except queue.Empty:
            if self._client.status not in ("running", "connecting"):
                raise self._gone() from None
            return None
        if self._futures.pop(key, None) is None:
            return self.result(0.0)
        if future.status in ("cancelled", "lost"):
            raise self._gone()
        try:
            value, block, tries = future.result()
        except (CancelledError, OSError, TimeoutError) as error:
            raise self._gone() from error
        except Exception as error:  # noqa: BLE001 - whatever a worker or the scheduler raises concerns this frame
            name = type(error).__name__
            message = f"The cluster gave it up ({name}): its workers ended while they were measuring it."
            return Outcome(key, "crash", message, {}, None, self._options[1])
        outcome = message_outcome(value, block, tries)
        there = outcome.facts.get("algorithm")
        if not outcome.kind and there != ALGORITHM_VERSION:
            message = f"A worker of the cluster measures with algorithm version {there}, this is {ALGORITHM_VERSION}."
            return Outcome(key, "crash", message, outcome.facts, None, tries)
        return outcome

    def _gone(self) -> InputError:
        return InputError(
            f"The Dask cluster at {self._address[:80]} went away: what was measured is in the ledger; start the same "
            "line again when it is back."
        )

    def close(self) -> None:
        """Give up all tasks and the connection; the cluster stays."""
        from contextlib import suppress

        with suppress(Exception):  # the cluster may be gone
            self._client.cancel(list(self._futures.values()), force=True)
        with suppress(Exception):
            self._client.close(timeout=5)
