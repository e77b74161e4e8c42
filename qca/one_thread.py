"""Linear algebra held to one thread."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[Any]:
    """Hold linear algebra to one thread: its sums then come in one order on any machine, and small ones are faster."""
    limit: AbstractContextManager[Any] = _controller().limit(limits=1)
    return limit


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    import scipy.linalg  # noqa: F401 - the controller governs only libraries that are loaded
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
