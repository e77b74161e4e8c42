"""How a batch tells how far it is: one line that moves on a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from typing import TextIO

_TERMINAL_SECONDS = 0.2
_LINE_SECONDS = 10.0
_RECENT = 0.1
"""Weight of the newest frame in the running rate."""


class Progress:
    """Counts outcomes and writes them now and then.

    Parameters
    ----------
    total : int
        Frames of the list.
    before : int
        Frames that were measured by earlier runs.
    stream : text file or None
        Where to write; None for nowhere.
    refused : int
        Frames that were refused by earlier runs, and are not tried again.
    """

    def __init__(self, total: int, before: int, stream: TextIO | None, *, refused: int = 0) -> None:
        self.total, self.done, self.refused = total, before + refused, refused
        self._stream = stream
        self._terminal = stream is not None and stream.isatty()
        self._begun = self._last_written = time.monotonic()
        self._here = 0
        self._rate = 0.0
        self._last = self._begun

    def count(self, *, refused: bool) -> None:
        """Note one more outcome."""
        now = time.monotonic()
        self.done += 1
        self._here += 1
        self.refused += refused
        average = self._here / max(now - self._begun, 1e-6)
        newest = 1 / max(now - self._last, 1e-6)
        # the average to begin with, then what happens lately
        share = _RECENT if self._here > 1 / _RECENT else 0.0
        self._rate = average if not share else (1 - share) * self._rate + share * min(newest, 4 * average)
        self._last = now
        if now - self._last_written >= (_TERMINAL_SECONDS if self._terminal else _LINE_SECONDS):
            self.write()

    def write(self, *, final: bool = False) -> None:
        """Write the line now."""
        if self._stream is None:
            return
        self._last_written = time.monotonic()
        text = self.line(final=final)
        if self._terminal:
            self._stream.write(f"\r{text}\x1b[K" + ("\n" if final else ""))
        else:
            self._stream.write(f"{text}\n")
        self._stream.flush()

    def say(self, text: str) -> None:
        """Write a sentence without losing the line."""
        if self._stream is None:
            return
        self._stream.write(f"\r\x1b[K{text}\n" if self._terminal else f"{text}\n")
        self._stream.flush()

    def line(self, *, final: bool = False) -> str:
        """Form the line: done of total, refused, rate, time left."""
        parts = [f"{self.done} of {self.total} frames"]
        if self.refused:
            parts.append(f"{self.refused} refused")
        if self._here:
            rate = self._here / max(time.monotonic() - self._begun, 1e-6) if final else self._rate
            parts.append(f"{rate:.2f} per s" if rate < 10 else f"{rate:.0f} per s")
            if not final:
                parts.append(f"{duration((self.total - self.done) / max(rate, 1e-9))} left")
        return ", ".join(parts)


def duration(seconds: float) -> str:
    """Write a time for people."""
    if seconds < 90:
        return f"{max(seconds, 0):.0f} s"
    if seconds < 90 * 60:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
