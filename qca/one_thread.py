"""Linear algebra held to one thread."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

_KEPT_BYTES = 62 * 2**20
"""At most. The C library learns from no block over 32 MB."""


def one_thread() -> AbstractContextManager[Any]:
    """Hold linear algebra to one thread: its sums then come in one order on any machine, and small ones are faster."""
    _keep_memory()
    limit: AbstractContextManager[Any] = _controller().limit(limits=1)
    return limit


@lru_cache(maxsize=1)
def _keep_memory() -> None:
    """Make the process keep the memory of arrays that it drops, for the next ones, instead of giving it back each time.

    A fit makes and drops thousands of arrays of some megabytes, and pages that come back from the system must be
    emptied and mapped first. The C library of Linux keeps up to twice the largest block that it ever gave back, and
    learns that from this one, whose pages are never touched; elsewhere this does nothing.
    """
    import numpy as np

    np.empty(_KEPT_BYTES // 2, dtype=np.uint8)


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    import scipy.linalg  # noqa: F401 - the controller governs only libraries that are loaded
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
