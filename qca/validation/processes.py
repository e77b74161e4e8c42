"""The same function on many things, in several processes of one thread each, in order."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

Thing = TypeVar("Thing")
Result = TypeVar("Result")

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""One thread in each process: the things are the parallel work, and the same sums give the same last bits."""


def in_processes(function: Callable[[Thing], Result], things: Sequence[Thing], workers: int) -> Iterator[Result]:
    """Apply a function to every thing; results come in the order of the things.

    Parameters
    ----------
    function : callable
        Importable by name, or a partial of such a one.
    things : sequence
        What to apply it to.
    workers : int
        Processes; with one or fewer everything happens in this one.
    """
    if workers <= 1:
        yield from map(function, things)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with (
        _single_threaded(),
        ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_start) as pool,
    ):
        yield from pool.map(function, things)


@contextmanager
def _single_threaded() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _start() -> None:
    import cv2

    cv2.setNumThreads(1)
