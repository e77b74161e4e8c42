"""The desk's end of the measuring process: asks, drops what is stale, starts the process anew when it dies. No Qt."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ui.desk.worker import receive, send

PATIENCE_S = 4.0
"""A job that has run so long and is not wanted any more is given up as soon as something else is asked for."""

ROOT = Path(__file__).resolve().parent.parent.parent


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back.

    Parameters
    ----------
    ticket : int
        The number that ``ask`` gave.
    job : str
        Kind of job.
    stale : bool
        A newer job of the same kind was asked for in the meantime, or the answer is no longer wanted.
    result : mapping or None
        On success.
    error : str
        One sentence for the user, ``""`` on success.
    seconds : float
        From asking to the answer.
    """

    ticket: int
    job: str
    stale: bool
    result: Mapping[str, Any] | None
    error: str
    seconds: float


@dataclass(frozen=True, slots=True)
class _Asked:
    ticket: int
    job: str
    message: Mapping[str, Any]
    when: float


class Calculator:
    """Asks a measuring process; at most one job runs, at most one of each kind waits, the newest wins.

    Parameters
    ----------
    deliver : callable
        Called with every `Answer`, from a thread of its own.
    command : sequence of str or None
        How the process is started; by default ``ui.desk.worker`` with this interpreter.
    """

    def __init__(self, deliver: Callable[[Answer], None], command: list[str] | None = None) -> None:
        self._deliver = deliver
        self._command = command or [sys.executable, "-m", "ui.desk.worker"]
        self._lock = threading.Condition()
        self._waiting: dict[str, _Asked] = {}
        self._running: _Asked | None = None
        self._latest: dict[str, int] = {}
        self._tickets = 0
        self._warming = False
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="desk calculator", daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """True while a wanted job runs or waits."""
        with self._lock:
            running = self._running
            return bool(self._waiting) or (running is not None and self._latest.get(running.job) == running.ticket)

    def ask(self, job: str, message: Mapping[str, Any]) -> int:
        """Ask for a job; one of the same kind that still waits is forgotten.

        Returns
        -------
        int
            The ticket of its answer.
        """
        with self._lock:
            self._tickets += 1
            self._latest[job] = self._tickets
            self._waiting[job] = _Asked(self._tickets, job, message, time.monotonic())
            running = self._running
            stale = running is not None and self._latest.get(running.job) != running.ticket
            if running is not None and stale and time.monotonic() - running.when > PATIENCE_S:
                self._kill()
            self._lock.notify_all()
            return self._tickets

    def warm_up(self) -> None:
        """Start the process now: something will be asked soon."""
        with self._lock:
            self._warming = True
            self._lock.notify_all()

    def forget(self, job: str) -> None:
        """Want no answer of this kind any more; one under way will be marked stale."""
        with self._lock:
            self._tickets += 1
            self._latest[job] = self._tickets
            self._waiting.pop(job, None)

    def close(self) -> None:
        """End the process, at once, whatever it is doing. No answer is delivered afterwards."""
        with self._lock:
            self._closed = True
            self._waiting.clear()
            self._kill()
            self._lock.notify_all()
        self._thread.join(timeout=5)

    def _work(self) -> None:
        """Hand out jobs and wait for their answers, until closed."""
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._waiting or self._closed or self._warming)
                if self._closed:
                    break
                self._warming = False
            self._start()
            with self._lock:
                if not self._waiting:
                    continue
                asked = min(self._waiting.values(), key=lambda waiting: waiting.ticket)
                del self._waiting[asked.job]
                self._running = _Asked(asked.ticket, asked.job, asked.message, time.monotonic())
            message = self._exchange(asked)
            with self._lock:
                self._running = None
                stale = self._latest.get(asked.job) != asked.ticket
            if self._is_closed():
                break
            self._deliver(_answer(asked, message, stale=stale))
        self._end()

    def _is_closed(self) -> bool:
        with self._lock:
            return self._closed

    def _exchange(self, asked: _Asked) -> dict[str, Any] | None:
        """Send one job and wait; None when the process died over it."""
        process = self._start()
        if process is None or process.stdin is None or process.stdout is None:
            return None
        try:
            send(process.stdin, {**asked.message, "ticket": asked.ticket, "job": asked.job})  # type: ignore[arg-type]
            while (message := receive(process.stdout)) is not None:  # type: ignore[arg-type]
                if message.get("ticket") == asked.ticket:
                    return message
        except (OSError, ValueError):
            pass  # the process is gone: said below, in words
        self._end()
        return None

    def _start(self) -> subprocess.Popen[bytes] | None:
        with self._lock:
            if self._closed:
                return None
            if self._process is None or self._process.poll() is not None:
                self._end()
                inherited = os.environ.get("PYTHONPATH")
                path = os.pathsep.join([str(ROOT), *([inherited] if inherited else [])])
                self._process = subprocess.Popen(  # noqa: S603 - our own module with our own interpreter
                    self._command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    env={**os.environ, "PYTHONPATH": path},
                )
            return self._process

    def _kill(self) -> None:
        if self._process is not None:
            with contextlib.suppress(OSError):
                self._process.kill()

    def _end(self) -> None:
        """Clear away a process that has ended or shall end."""
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(OSError):
            process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def _answer(asked: _Asked, message: dict[str, Any] | None, *, stale: bool) -> Answer:
    seconds = time.monotonic() - asked.when
    if message is None:
        error = "The measuring process ended unexpectedly and was started anew: try again, or try another frame."
        return Answer(asked.ticket, asked.job, stale, None, error, seconds)
    if "fault" in message:
        sys.stderr.write(message["fault"])
        last = message["fault"].strip().splitlines()[-1]
        error = f"This is a mistake in the program, please report it ({last})."
        return Answer(asked.ticket, asked.job, stale, None, error, seconds)
    return Answer(asked.ticket, asked.job, stale, message.get("result"), message.get("error", ""), seconds)
