"""Frames of a file as an array that napari can index: a few decoded frames in memory, the next ones fetched ahead."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from qca.errors import QcaError
from qca.frames.source import FrameSource

Stored = npt.NDArray[Any]

KEPT = 6
"""Decoded frames kept: the shown one, a few behind, a few ahead."""

AHEAD = 3
"""Frames decoded ahead in the direction of the last step."""


class LazyFrames:
    """A stack of shape (T, rows, columns) in stored values, decoded when looked at.

    Parameters
    ----------
    source : FrameSource
        The open file.
    trouble : callable
        Called with a sentence when a frame cannot be decoded; a frame of zeros stands in.
    """

    def __init__(self, source: FrameSource, trouble: Callable[[str], None]) -> None:
        self.source = source
        record = source.record
        self.shape = (record.count, record.rows, record.columns)
        self.dtype = np.dtype(record.dtype)
        self.ndim = 3
        self.size = int(np.prod(self.shape))
        self._trouble = trouble
        self._kept: OrderedDict[int, Stored] = OrderedDict()
        self._lock = threading.Condition()
        self._wanted: list[int] = []
        self._last = 0
        self._closed = False
        self._thread: threading.Thread | None = None

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> Stored:  # noqa: ANN401 - whatever numpy takes
        """Index like an array; only the frames asked for are decoded."""
        parts = list(key) if isinstance(key, tuple) else [key]
        if parts and parts[0] is Ellipsis:
            parts = [slice(None)] * (4 - len(parts)) + parts[1:]
        first, rest = (parts[0] if parts else slice(None)), tuple(parts[1:])
        if isinstance(first, (int, np.integer)):
            return self.frame(int(first))[rest] if rest else self.frame(int(first))
        if not isinstance(first, slice):
            msg = f"frames are indexed by a number or a slice, not {first!r}"
            raise TypeError(msg)
        stack = np.stack([self.frame(k) for k in range(*first.indices(len(self)))])
        return stack[(slice(None), *rest)]

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> Stored:  # noqa: FBT001
        """Decode everything: only where somebody insists on an array."""
        del copy
        stack = self[:]
        return stack if dtype is None else stack.astype(dtype)

    def frame(self, index: int) -> Stored:
        """Return one frame, shape (rows, columns), and fetch its neighbours ahead."""
        index = min(max(index, 0), len(self) - 1)
        with self._lock:
            kept = self._kept.get(index)
            if kept is not None:
                self._kept.move_to_end(index)
        if kept is None:
            kept = self._decoded(index, say=True)
        self._fetch_ahead(index)
        return kept

    def keep(self, index: int, pixels: Stored) -> None:
        """Keep a decoded frame, and let go of the one that was looked at longest ago."""
        with self._lock:
            if not self._closed:
                self._kept[index] = pixels
                self._kept.move_to_end(index)
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)

    def close(self) -> None:
        """Stop fetching ahead and forget all frames."""
        with self._lock:
            self._closed = True
            self._wanted.clear()
            self._kept.clear()
            self._lock.notify_all()

    def _decoded(self, index: int, *, say: bool) -> Stored:
        try:
            pixels: Stored = self.source.pixels(index)
        except (QcaError, MemoryError) as error:
            if say:
                self._trouble(str(error) or "There is not enough memory to show this frame: close other programs.")
            return np.zeros(self.shape[1:], self.dtype)
        self.keep(index, pixels)
        return pixels

    def _fetch_ahead(self, index: int) -> None:
        if len(self) < 2:
            return
        with self._lock:
            step = 1 if index >= self._last else -1
            self._last = index
            ahead = [index + step * k for k in range(1, AHEAD + 1)]
            self._wanted = [k for k in ahead if 0 <= k < len(self) and k not in self._kept]
            if not self._wanted or self._closed:
                return
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="desk frames", daemon=True)
                self._thread.start()
            self._lock.notify_all()

    def _work(self) -> None:
        while True:
            with self._lock:
                while not self._wanted and not self._closed:
                    self._lock.wait()
                if self._closed:
                    return
                index = self._wanted.pop(0)
                if index in self._kept:
                    continue
            self._decoded(index, say=False)
